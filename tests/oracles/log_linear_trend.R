# Cox-Lewis fits over random histories: glm(family = poisson) on counts in 20,000 cells (slope, standard error, likelihood
# ratio; its error of rounding times to cells is below 1e-5 of the slope's standard error), and the exact likelihood's
# ratio limits of the slope by uniroot().
# Prints a CSV table; generated with R 4.2.2 (stats alone):
#   Rscript tests/oracles/log_linear_trend.R > tests/oracles/log_linear_trend.csv
set.seed(20240614)
g <- function(x) paste(sprintf("%.17g", x), collapse = " ")
cat("at,end,confidence,glm_log_intensity,glm_slope,glm_slope_error,glm_likelihood_ratio,slope_lower,slope_upper\n")
cells <- 20000
middle <- (seq_len(cells) - 0.5) / cells
for (case in 1:200) {
  n <- sample(3:80, 1)
  end <- 10^runif(1, 0, 5)
  tilt <- runif(1, -4, 4)
  at <- sort(log1p(runif(n) * expm1(tilt)) / tilt)  # of (0, 1)
  counts <- tabulate(ceiling(at * cells), cells)
  fit <- glm(counts ~ middle, family = poisson, control = glm.control(epsilon = 1e-13, maxit = 100))
  error <- sqrt(diag(vcov(fit)))[[2]]
  confidence <- sample(c(0.8, 0.9, 0.95), 1)
  profile <- function(b) {  # log-likelihood with the level eliminated, without constants
    area <- if (abs(b) < 1e-7) 1 + b / 2 else expm1(b) / b
    b * sum(at) - n * log(area)
  }
  top <- optimize(profile, coef(fit)[[2]] + c(-1, 1) * error, maximum = TRUE, tol = 1e-12)
  excess <- function(b) 2 * (top$objective - profile(b)) - qchisq(confidence, 1)
  lower <- uniroot(excess, top$maximum - c(2 * error, 0), tol = 1e-12, extendInt = "downX")$root
  upper <- uniroot(excess, top$maximum + c(0, 2 * error), tol = 1e-12, extendInt = "upX")$root
  cat(paste(g(at * end), g(end), g(confidence), g(coef(fit)[[1]] + log(cells / end)), g(coef(fit)[[2]] / end),
            g(error / end), g(fit$null.deviance - fit$deviance), g(lower / end), g(upper / end), sep = ","), "\n",
      sep = "")
}
