# Negative-binomial forecasts and their scores, log-linear trends and paired differences: dnbinom, pnbinom, glm, t.test.
# Prints the table tests/oracles/outage_forecast.csv, which is generated:
#   Rscript tests/oracles/outage_forecast.R > tests/oracles/outage_forecast.csv
# R 4.2.2, package stats 4.2.2.
# forecast: the law is the mean of dnbinom(size = shape, prob = b/(b + e)) over the exposures; log: -log of it at count;
#   ranked: sum of squared differences of the distribution function and the step at count; pit: the non-randomized
#   transform at u = 0.3 (Czado, Gneiting & Held 2009, Biometrics 65:1254-1261).
# trend: Poisson regression with a level for each machine, offset log exposure, one slope of the period.
# paired: t.test of the differences.
set.seed(20260901)
full <- function(x) format(x, digits = 17, scientific = TRUE, trim = TRUE)
list_of <- function(x) paste(full(x), collapse = " ")
columns <- c("what", "shape", "inverse_scale", "exposures", "count", "probability", "at_most", "log", "ranked", "pit",
             "median", "q90", "counts", "periods", "first", "second", "value", "lower", "upper", "p")
cat(paste(columns, collapse = ","), "\n", sep = "")
row <- function(...) {
  cells <- setNames(rep("NA", length(columns)), columns)
  given <- list(...)
  for (name in names(given)) cells[name] <- given[[name]]
  cat(paste(cells, collapse = ","), "\n", sep = "")
}
for (i in 1:200) {
  shape <- exp(runif(1, log(0.3), log(60)))
  b <- exp(runif(1, log(50), log(5000)))
  e <- runif(sample(1:6, 1), 0, 14 * 24) * ifelse(runif(1) < 0.1, 10, 1)
  k <- 0:4000
  law <- rowMeans(sapply(e, function(x) dnbinom(k, size = shape, prob = b / (b + x))))
  cdf <- cumsum(law)
  count <- sample(k, 1, prob = law)
  if (runif(1) < 0.2) count <- count + sample(0:3, 1)
  if (law[count + 1] < 1e-8) next
  low <- if (count == 0) 0 else cdf[count]
  high <- cdf[count + 1]
  pit <- min(1, max(0, (0.3 - low) / (high - low)))
  row(what = "forecast", shape = full(shape), inverse_scale = full(b), exposures = list_of(e), count = count,
      probability = full(law[count + 1]), at_most = full(high), log = full(-log(law[count + 1])),
      ranked = full(sum((cdf - (count <= k))^2)), pit = full(pit), median = min(k[cdf >= 0.5]), q90 = min(k[cdf >= 0.9]))
}
done <- 0
while (done < 60) {
  machines <- sample(2:8, 1); periods <- sample(3:12, 1)
  rate <- rgamma(machines, 2, 2 / exp(runif(1, -1, 1.5)))
  slope <- runif(1, -0.3, 0.3)
  d <- expand.grid(period = 0:(periods - 1), machine = 1:machines)
  d$e <- runif(nrow(d), 0.2, 1.5)
  d$x <- rpois(nrow(d), rate[d$machine] * exp(slope * d$period) * d$e)
  if (sum(d$x) < 6) next
  kept <- d[d$machine %in% unique(d$machine[d$x > 0]), ]
  kept$m <- factor(kept$machine)
  fit <- if (nlevels(kept$m) > 1) glm(x ~ m + period, poisson, offset = log(e), data = kept,
                                      control = glm.control(epsilon = 1e-14, maxit = 100))
         else glm(x ~ period, poisson, offset = log(e), data = kept, control = glm.control(epsilon = 1e-14, maxit = 100))
  slope <- coef(fit)["period"]
  if (abs(slope) > 1.9) next
  row(what = "trend", periods = periods, counts = paste(d$x, collapse = " "), exposures = list_of(d$e),
      value = full(unname(slope)))
  done <- done + 1
}
for (i in 1:60) {
  n <- sample(2:20, 1)
  a <- rnorm(n, 1, 0.3); b <- a + rnorm(n, runif(1, -0.3, 0.3), 0.2)
  test <- t.test(a, b, paired = TRUE)
  row(what = "paired", first = list_of(a), second = list_of(b), value = full(unname(test$estimate)),
      lower = full(test$conf.int[1]), upper = full(test$conf.int[2]),
      p = full(t.test(a, b, paired = TRUE, alternative = "less")$p.value))
}
