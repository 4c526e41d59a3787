# Weekly dispersion of failures by the quasi-Poisson fit of R's stats (Pearson statistic over its degrees of freedom),
# and chi-square limits of the mean up time between failures with failures and up time divided by it where it is above
# 1.2. A week with less than half the mean exposure is joined to the next, the last to the one before. Prints the table
# dispersion.csv:
#   Rscript dispersion.R > dispersion.csv
# Generated with R 4.2.2.
set.seed(3102)
join <- function(n, u) {
  least <- sum(u) / sum(u > 0) / 2
  group <- integer(length(u)); at <- 1; held <- 0
  for (w in seq_along(u)) {
    group[w] <- at; held <- held + u[w]
    if (held >= least) { at <- at + 1; held <- 0 }
  }
  group <- pmin(group, at - 1)  # what is left at the end goes to the last group
  list(n = as.vector(tapply(n, group, sum)), u = as.vector(tapply(u, group, sum)))
}
numbers <- function(x) paste(sprintf("%.17g", x), collapse = " ")
cat("counts,exposures,confidence,weeks,phi,mtbf,lower,upper\n")
for (case in 1:300) {
  weeks <- sample(c(13, 14, 20, 26, 52), 1)
  u <- runif(weeks, 60, 105)
  if (case %% 2 == 0) {  # weeks with little or no exposure
    little <- sample(weeks, 3)
    u[little] <- c(0, runif(1, 0, 5), runif(1, 0, 30))
  }
  clusters <- rpois(weeks, u * 10^runif(1, -2.3, -0.8))
  n <- sapply(clusters, function(k) if (case %% 3 == 0) k else sum(1 + rpois(k, 1)))
  if (sum(n) == 0) next
  confidence <- sample(c(0.8, 0.9, 0.95), 1)
  j <- join(n, u)
  if (length(j$u) < 13) next
  fit <- glm(j$n ~ 1 + offset(log(j$u)), family = quasipoisson, control = glm.control(epsilon = 1e-14, maxit = 100))
  phi <- summary(fit)$dispersion
  by <- if (phi > 1.2) phi else 1
  alpha <- 1 - confidence
  cat(sprintf("%s,%s,%.17g,%d,%.17g,%.17g,%.17g,%.17g\n", numbers(n), numbers(u), confidence, length(j$u), phi,
              sum(u) / sum(n), 2 * sum(u) / by / qchisq(1 - alpha / 2, 2 * sum(n) / by + 2),
              2 * sum(u) / by / qchisq(alpha / 2, 2 * sum(n) / by)))
}
