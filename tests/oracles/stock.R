# Stock levels under negative-binomial demand, from qnbinom, pnbinom and dnbinom (qpois and kin where the shape is Inf).
# Prints the table tests/oracles/stock.csv, which is generated:  Rscript tests/oracles/stock.R > tests/oracles/stock.csv
# R 4.2.2, package stats 4.2.2.
# stock: smallest s with P(demand <= s - 1) >= target. short, short_one_more: mean of (demand - s)+ by summing the law.
set.seed(20260831)
cases <- 400
mean_demand <- exp(runif(cases, log(0.01), log(200)))
shape <- ifelse(runif(cases) < 0.2, Inf, exp(runif(cases, log(0.2), log(100))))
target <- 1 - exp(runif(cases, log(0.0005), log(0.5)))
full <- function(x) format(x, digits = 17, scientific = TRUE, trim = TRUE)
cat("mean,shape,target,stock,enough,one_less,short,short_one_more\n")
for (i in seq_len(cases)) {
  m <- mean_demand[i]; k <- shape[i]
  q <- if (is.infinite(k)) function(p) qpois(p, m) else function(p) qnbinom(p, size = k, mu = m)
  p <- if (is.infinite(k)) function(x) ppois(x, m) else function(x) pnbinom(x, size = k, mu = m)
  d <- if (is.infinite(k)) function(x) dpois(x, m) else function(x) dnbinom(x, size = k, mu = m)
  s <- q(target[i]) + 1
  over <- function(s) { top <- s + 1 + 60 * (1 + m + m / min(k, 1e3)); x <- (s + 1):ceiling(top); sum((x - s) * d(x)) }
  cat(paste(full(m), ifelse(is.infinite(k), "Inf", full(k)), full(target[i]), s, full(p(s - 1)), full(p(s - 2)),
            full(over(s)), full(over(s + 1)), sep = ","), "\n", sep = "")
}
