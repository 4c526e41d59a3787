# Yearly prices, chances that keeping costs more, ages of renewal and missed promises, from sums, pnbinom, pgamma and
# optimize. Prints the table tests/oracles/replacement.csv, which is generated:
#   Rscript tests/oracles/replacement.R > tests/oracles/replacement.csv
# R 4.2.2, package stats 4.2.2.
# annuity: by discounting each of the whole years' payments and the resale.
# dearer: failures negative binomial (size = shape, prob = b/(b + e)) times a fixed cost, above a fixed yearly price;
#   average: gamma rate times exposure times cost above it.
# age: the T that minimizes (renewal + failure_cost * (T/scale)^beta)/T.
# promise: down times all of length d, so that the target is missed exactly where more than floor(B/d) outages begin in
#   the up time T - B (B the hours still affordable, T the hours left): the B-th hour of down time is then followed by more.
set.seed(20260902)
full <- function(x) format(x, digits = 17, scientific = TRUE, trim = TRUE)
columns <- c("what", "price", "resale", "years", "interest", "shape", "inverse_scale", "exposure", "cost", "fixed", "beta",
             "scale", "renewal", "left", "budget", "down", "value", "average")
cat(paste(columns, collapse = ","), "\n", sep = "")
row <- function(...) {
  cells <- setNames(rep("NA", length(columns)), columns)
  given <- list(...)
  for (name in names(given)) cells[name] <- if (is.numeric(given[[name]])) full(given[[name]]) else given[[name]]
  cat(paste(cells, collapse = ","), "\n", sep = "")
}
for (i in 1:150) {
  price <- runif(1, 1000, 200000); resale <- price * runif(1, 0, 0.5) * (runif(1) < 0.7)
  years <- sample(1:25, 1); r <- ifelse(runif(1) < 0.1, 0, runif(1, 0.001, 0.2))
  v <- (1 + r)^-(1:years)
  row(what = "annuity", price = price, resale = resale, years = years, interest = r,
      value = (price - resale * v[years]) / sum(v))
}
for (i in 1:60) {
  shape <- runif(1, 8, 60); b <- runif(1, 500, 6000); e <- runif(1, 500, 6000); cost <- runif(1, 100, 2000)
  fixed <- runif(1, 0, 3000)
  price <- shape * e / b * cost * runif(1, 0.5, 1.6) + fixed
  count <- (price - fixed) / cost
  row(what = "dearer", price = price, shape = shape, inverse_scale = b, exposure = e, cost = cost, fixed = fixed,
      value = pnbinom(floor(count), size = shape, prob = b / (b + e), lower.tail = FALSE),
      average = pgamma(count / e, shape, b, lower.tail = FALSE))
}
for (i in 1:100) {
  beta <- runif(1, 1.1, 4); scale <- runif(1, 100, 10000); renewal <- runif(1, 500, 50000); cost <- runif(1, 100, 5000)
  rate <- function(log_t) log(renewal + cost * (exp(log_t) / scale)^beta) - log_t
  # Around the closed form's order of magnitude; flat near the least, so the cost is what is compared closely.
  at <- exp(optimize(rate, c(log(scale) - 12, log(scale) + 60), tol = 1e-12)$minimum)
  row(what = "age", beta = beta, scale = scale, renewal = renewal, cost = cost, value = at,
      average = exp(rate(log(at))))
}
for (i in 1:60) {
  shape <- runif(1, 2, 40); left <- runif(1, 200, 2000); b <- shape * left / runif(1, 0.5, 12)
  down <- runif(1, 1, 30); budget <- runif(1, 0, left * 0.2)
  row(what = "promise", shape = shape, inverse_scale = b, left = left, budget = budget, down = down,
      value = pnbinom(floor(budget / down), size = shape, prob = b / (b + left - budget), lower.tail = FALSE))
}
