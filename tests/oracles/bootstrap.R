# Intervals of availability over machine-weeks by boot and boot.ci (BCa) of R's boot, with the influence values of the
# ratio. Prints the table bootstrap.csv:
#   Rscript bootstrap.R > bootstrap.csv
# Generated with R 4.2.2, boot 1.3-28.1; 20,000 resamples each. About a minute.
library(boot)
set.seed(3104)
numbers <- function(x) paste(sprintf("%.17g", x), collapse = " ")
cat("up_s,down_s,confidence,point,lower,upper\n")
for (case in 1:60) {
  weeks <- sample(c(8, 13, 26, 52), 1)
  required <- round(runif(weeks, 80, 110) * 3600)
  outages <- rpois(weeks, runif(1, 1, 3))
  down <- pmin(required, round(sapply(outages, function(k) sum(rlnorm(k, log(3 * 3600), runif(1, 0.5, 1.3))))))
  up <- required - down
  confidence <- sample(c(0.8, 0.9, 0.95), 1)
  ratio <- function(d, i) sum(d$up[i]) / sum(d$up[i] + d$down[i])
  d <- data.frame(up = up, down = down)
  point <- sum(up) / sum(required)
  b <- boot(d, ratio, R = 20000)
  ci <- boot.ci(b, conf = confidence, type = "bca", L = up - point * required)
  cat(sprintf("%s,%s,%.17g,%.17g,%.17g,%.17g\n", numbers(up), numbers(down), confidence, point, ci$bca[4], ci$bca[5]))
}
