# How much the days of sites vary beyond chance: theta.ml of MASS, and the weight of the other sites by optimize.
# Prints the table tests/oracles/site_days.csv, which is generated:
#   Rscript tests/oracles/site_days.R > tests/oracles/site_days.csv
# R 4.2.2, MASS 7.3-58.2, stats 4.2.2.
# expected and observed by site, then day. weight: the a of 1 ... 1e6 for which expected * (a + Y)/(a + M) has the greatest
# Poisson likelihood, Y and M the other sites' observed and expected; theta: of observed with mean expected * that factor.
suppressPackageStartupMessages(library(MASS))
set.seed(20260903)
full <- function(x) format(x, digits = 17, scientific = TRUE, trim = TRUE)
cat("sites,days,expected,observed,weight,theta\n")
done <- 0
while (done < 25) {
  sites <- sample(2:5, 1); days <- sample(20:40, 1)
  region <- rgamma(days, 20, 20); own <- matrix(rgamma(sites * days, 15, 15), days)
  m <- matrix(runif(sites * days, 10, 60), days)
  x <- matrix(rpois(sites * days, m * region * own), days)
  factor <- function(a) (a + rowSums(x) - x) / (a + rowSums(m) - m)
  loss <- function(log_a) { f <- m * factor(exp(log_a)); sum(f - x * log(f)) }
  best <- optimize(loss, c(0, log(1e6)), tol = 1e-10)
  if (best$objective > loss(log(1e6)) - 1.5) next
  a <- exp(best$minimum)
  theta <- tryCatch(as.numeric(theta.ml(as.vector(x), as.vector(m * factor(a)), limit = 200, eps = 1e-12)),
                    warning = function(w) NA)
  if (is.na(theta) || theta > 200) next
  cat(paste(sites, days, paste(full(as.vector(m)), collapse = " "), paste(as.vector(x), collapse = " "), full(a),
            full(theta), sep = ","), "\n", sep = "")
  done <- done + 1
}
