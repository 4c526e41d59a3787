# The gamma-Poisson comparison of machines by brute force: the posterior of (log mean, coefficient of variation), prior
# flat in log mean and half-normal(0.7) in the coefficient of variation, on a fine rectangular grid; expected ranks by the
# exact probability that one gamma variate exceeds another. Prints the table comparison.csv:
#   Rscript comparison.R > comparison.csv
# Generated with R 4.2.2. Some minutes.
set.seed(3105)
numbers <- function(x) paste(sprintf("%.12g", x), collapse = " ")
log_likelihood <- function(l, cv, x, t) {
  a <- 1 / cv^2; b <- a / exp(l)
  s <- 0
  for (i in seq_along(x)) s <- s + lgamma(a + x[i]) - lgamma(a) + a * log(b / (b + t[i])) + x[i] * log(t[i] / (b + t[i]))
  s - (cv / 0.7)^2 / 2
}
grid <- function(x, t) {
  # Wide and coarse first, then fine where anything is.
  l <- log(sum(x) / sum(t)) + seq(-15, 60, length.out = 1500); cv <- seq(0.02, 4, by = 0.04)
  for (pass in 1:2) {
    p <- outer(cv, l, function(cv, l) log_likelihood(l, cv, x, t))
    keep <- p > max(p) - 18
    rows <- range(which(rowSums(keep) > 0)); columns <- range(which(colSums(keep) > 0))
    if (pass == 1) {
      cv_low <- max(0, cv[rows[1]] - 0.06); cv_high <- cv[rows[2]] + 0.06
      h <- (cv_high - cv_low) / 160
      cv <- cv_low + (seq_len(160) - 0.5) * h
      l <- seq(l[columns[1]] - 0.05, l[columns[2]] + 0.05, length.out = 500)
    }
  }
  w <- exp(p - max(p)); w <- w / sum(w)
  n <- which(w > 1e-9, arr.ind = TRUE)
  a <- 1 / cv[n[, 1]]^2
  list(w = w[n] / sum(w[n]), l = l[n[, 2]], a = a, b = a / exp(l[n[, 2]]), step = l[2] - l[1])
}
quantile_of <- function(g, x, t, p) {
  f <- function(r) sum(g$w * pgamma(exp(r), g$a + x, g$b + t)) - p
  m <- log(sum(g$w * (g$a + x) / (g$b + t)))
  exp(uniroot(f, c(m - 8, m + 4), extendInt = "upX", tol = 1e-7)$root)
}
kind_quantile <- function(g, p) {
  f <- function(l) sum(g$w * pmin(1, pmax(0, (l - g$l) / g$step + 0.5))) - p
  exp(uniroot(f, range(g$l) + c(-1, 1), tol = 1e-9)$root)
}
pumps <- list(x = c(5, 1, 5, 14, 3, 19, 1, 1, 4, 22), t = c(94.3, 15.7, 62.9, 126, 5.24, 31.4, 1.05, 1.05, 2.1, 10.5))
cat("counts,exposures,mean,lower,upper,worse,rank,kind_rate,kind_lower,kind_upper\n")
for (case in 1:40) {
  machines <- c(2, 3, 5, 8, 12, 13, 20, 40)[(case - 1) %% 8 + 1]
  t <- round(runif(machines, 0.5, 3), 3)
  cv <- abs(rnorm(1, 0, 0.7)) + 0.05
  repeat {
    x <- rpois(machines, t * rgamma(machines, 1 / cv^2, 1 / cv^2) * 10^runif(1, 0, 1.3))
    if (sum(x) > 0) break
  }
  if (case == 1) { x <- pumps$x; t <- pumps$t; machines <- 10 }
  g <- grid(x, t)
  mean <- sapply(seq_along(x), function(i) sum(g$w * (g$a + x[i]) / (g$b + t[i])))
  lower <- sapply(seq_along(x), function(i) quantile_of(g, x[i], t[i], 0.025))
  upper <- sapply(seq_along(x), function(i) quantile_of(g, x[i], t[i], 0.975))
  worse <- sapply(seq_along(x), function(i) sum(g$w * pgamma(2 * exp(g$l), g$a + x[i], g$b + t[i], lower.tail = FALSE)))
  rank <- NA
  if (machines <= 10) {
    rank <- rep(1, machines)
    for (i in seq_along(x)) for (j in seq_along(x)) if (i != j) {
      # Rates G_j/B_j > G_i/B_i, G standard gamma: G_i/(G_i + G_j) < B_i/(B_i + B_j), a beta variate.
      bi <- g$b + t[i]; bj <- g$b + t[j]
      rank[i] <- rank[i] + sum(g$w * pbeta(bi / (bi + bj), g$a + x[i], g$a + x[j]))
    }
  }
  cat(sprintf("%s,%s,%s,%s,%s,%s,%s,%.12g,%.12g,%.12g\n", numbers(x), numbers(t), numbers(mean), numbers(lower),
              numbers(upper), numbers(worse), if (machines <= 10) numbers(rank) else "NA", kind_quantile(g, 0.5),
              kind_quantile(g, 0.025), kind_quantile(g, 0.975)))
}
