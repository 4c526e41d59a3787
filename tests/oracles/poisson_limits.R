# Exact Poisson limits of random counts, by poisson.test of R's stats. Prints the table poisson_limits.csv:
#   Rscript poisson_limits.R > poisson_limits.csv
# Generated with R 4.2.2.
set.seed(3101)
cat("count,exposure,confidence,point,lower,upper\n")
for (case in 1:300) {
  count <- if (case <= 20) 0 else rpois(1, 10^runif(1, -0.5, 4))
  exposure <- 10^runif(1, -1, 5)
  confidence <- sample(c(0.5, 0.8, 0.9, 0.95, 0.99, 0.999), 1)
  test <- poisson.test(count, exposure, conf.level = confidence)
  cat(sprintf("%d,%.17g,%.17g,%.17g,%.17g,%.17g\n", as.integer(count), exposure, confidence, test$estimate,
              test$conf.int[1], test$conf.int[2]))
}
