# The trend tests over random histories, with and without trend, ended by time and by a failure.
# reverse_improving and reverse_worsening: of the exact law; reverse_normal: of the normal limit with continuity
# correction, of that side which is below its mean probability.
# Prints a CSV table; generated with R 4.2.2 (stats alone: pnorm, pchisq, pt and cor.test by Kendall, whose count of
# concordant pairs with the order of the intervals is the count of reverse arrangements):
#   Rscript tests/oracles/trend_tests.R > tests/oracles/trend_tests.csv
set.seed(20240612)
g <- function(x) paste(sprintf("%.17g", x), collapse = " ")
cat(paste(c("ended_by", "at", "end", "laplace", "laplace_improving", "handbook", "handbook_improving", "reverse",
            "reverse_improving", "reverse_worsening", "reverse_normal", "lewis_robinson", "lewis_robinson_improving"),
          collapse = ","), "\n", sep = "")
for (case in 1:300) {
  n <- if (case %% 3 == 0) sample(13:40, 1) else sample(4:12, 1)
  intervals <- rgamma(n, runif(1, 0.5, 3)) * (1:n)^runif(1, -0.7, 0.7) * 10^runif(1, -2, 4)
  at <- cumsum(intervals)
  by_failure <- case %% 2 == 0
  end <- if (by_failure) at[n] else at[n] * (1 + rexp(1) / n)
  used <- if (by_failure) at[-n] else at
  m <- length(used)
  # Laplace from the mean of uniform times, as a mean and its standard error.
  laplace <- (mean(used) - end / 2) / (end / sqrt(12 * m))
  handbook <- -2 * sum(log(used / end))
  kendall <- function(side, exact = TRUE)
    cor.test(1:n, diff(c(0, at)), method = "kendall", alternative = side, exact = exact, continuity = TRUE)$p.value
  reverse <- sum(outer(intervals, intervals, "<")[upper.tri(diag(n))])
  x <- diff(c(0, at))
  robinson <- laplace * mean(x) / sd(x)
  cat(paste(if (by_failure) "failure" else "time", g(at), g(end), g(laplace), g(pnorm(laplace)), g(handbook),
            g(pchisq(handbook, 2 * m, lower.tail = FALSE)), reverse, g(kendall("greater")), g(kendall("less")),
            g(min(kendall("greater", FALSE), kendall("less", FALSE))), g(robinson), g(pt(robinson, n - 1)), sep = ","), "\n", sep = "")
}
