# Power-law fits over random histories: the likelihood maximized by optimize() over the shape (the scale has a closed
# form for a given shape), its ratio limits by uniroot(), Crow's factors from besselI(), and fits of counts by optimize()
# on the Poisson likelihood with dpois().
# Prints a CSV table; generated with R 4.2.2 (stats and base alone):
#   Rscript tests/oracles/power_law.R > tests/oracles/power_law.csv
# kind: exact (times given in `at`) or grouped (`at`: ends of intervals, `counts`). NA: not defined for the case.
set.seed(20240613)
g <- function(x) paste(sprintf("%.17g", x), collapse = " ")
cat("kind,at,counts,start,end,confidence,shape,scale,log_likelihood,shape_lower,shape_upper,crow_lower,crow_upper\n")
draw <- function(n, shape, start, end)
  sort((start^shape + runif(n) * (end^shape - start^shape))^(1 / shape))
best <- function(f) optimize(f, c(-7, 4), maximum = TRUE, tol = 1e-13)
crow <- function(n, confidence) {
  tail <- (1 - confidence) / 2
  s <- function(k, z) {
    j <- seq_len(k)
    sum(exp((2 * j - 1) * log(z / 2) - lgamma(j) - lgamma(j + 1) - z)) / besselI(z, 1, expon.scaled = TRUE)
  }
  factor <- function(k, level) {
    z <- uniroot(function(z) s(k, z) - level, c(1e-6, 20 * n + 60), tol = 1e-13)$root
    4 * n^2 / z^2
  }
  c(factor(n, tail), factor(n - 1, 1 - tail))
}
done <- 0
while (done < 260) {
  n <- sample(3:60, 1)
  end <- 10^runif(1, 0, 5)
  start <- if (done %% 4 == 0) 0 else end * runif(1, 0.02, 0.9)
  at <- draw(n, exp(runif(1, -0.8, 1.3)), start, end)
  confidence <- sample(c(0.8, 0.9, 0.95), 1)
  # Without truncation in logarithms of t/T, so that nothing overflows.
  log_likelihood <- function(shape) {
    scale <- n / (end^shape - start^shape)
    sum(log(scale) + log(shape) + (shape - 1) * log(at)) - scale * (end^shape - start^shape)
  }
  # The score in the shape after the scale is eliminated, solved: optimize() alone has half the digits.
  score <- function(shape) {
    from <- if (start > 0) start^shape * log(start) else 0
    n / shape + sum(log(at)) - n * (end^shape * log(end) - from) / (end^shape - start^shape)
  }
  near <- best(function(s) log_likelihood(exp(s)))
  if (near$maximum < -4 || near$maximum > 3.5) next
  shape <- uniroot(score, exp(near$maximum + c(-0.01, 0.01)), tol = 1e-14, extendInt = "yes")$root
  scale <- n / (end^shape - start^shape)
  if (start == 0) {
    tail <- (1 - confidence) / 2
    limits <- shape * qchisq(c(tail, 1 - tail), 2 * n) / (2 * n)
    factors <- crow(n, confidence)
  } else {
    excess <- function(s) 2 * (log_likelihood(shape) - log_likelihood(s)) - qchisq(confidence, 1)
    limits <- c(if (excess(1e-6) < 0) 0 else uniroot(excess, c(1e-6, shape), tol = 1e-13)$root,
                uniroot(excess, c(shape, shape + 1), tol = 1e-13, extendInt = "upX")$root)
    factors <- c(NA, NA)
  }
  cat(paste("exact", g(at), NA, g(start), g(end), g(confidence), g(shape), g(scale), g(log_likelihood(shape)),
            g(limits[1]), g(limits[2]), g(factors[1]), g(factors[2]), sep = ","), "\n", sep = "")
  done <- done + 1
}
done <- 0
while (done < 120) {
  k <- sample(2:9, 1)
  end <- 10^runif(1, 0, 4)
  start <- if (done %% 2 == 0) 0 else end * runif(1, 0.05, 0.8)
  ends <- c(sort(runif(k - 1, start, end)), end)
  if (min(diff(c(start, ends))) < end * 1e-3) next
  counts <- tabulate(findInterval(draw(sample(5:120, 1), exp(runif(1, -0.8, 1)), start, end),
                                  c(start, ends), rightmost.closed = TRUE), k)
  n <- sum(counts)
  if (counts[k] == n) next  # no finite shape
  mass <- function(shape) diff(c(start, ends)^shape) / (end^shape - start^shape)
  log_likelihood <- function(shape) sum(dpois(counts, n * mass(shape), log = TRUE))
  near <- best(function(s) log_likelihood(exp(s)))
  if (near$maximum < -4 || near$maximum > 3.5) next
  score <- function(shape) (log_likelihood(shape * (1 + 1e-5)) - log_likelihood(shape * (1 - 1e-5)))
  shape <- uniroot(score, exp(near$maximum + c(-0.01, 0.01)), tol = 1e-13, extendInt = "yes")$root
  cat(paste("grouped", g(ends), paste(counts, collapse = " "), g(start), g(end), NA, g(shape),
            g(n / (end^shape - start^shape)), NA, NA, NA, NA, NA, sep = ","), "\n", sep = "")
  done <- done + 1
}
