# Negative-binomial fits with exposure by glm.nb of MASS, and probabilities of counts by dnbinom of R's stats. Prints the
# table negative_binomial_fit.csv:
#   Rscript negative_binomial_fit.R > negative_binomial_fit.csv
# The predicted counts are of the first machine over twice its exposure, 0 … 8. Cases where glm.nb warns (no dispersion
# beyond chance, or no convergence) are left out. Generated with R 4.2.2, MASS 7.3-58.2.
library(MASS)
set.seed(3103)
numbers <- function(x) paste(sprintf("%.17g", x), collapse = " ")
cat("counts,exposures,mean_rate,shape,log_likelihood,predicted\n")
done <- 0
while (done < 200) {
  machines <- sample(c(10, 20, 50, 100), 1)
  t <- 10^runif(machines, 0, 1.5)
  cv <- runif(1, 0.3, 1.5)
  x <- rpois(machines, t * rgamma(machines, 1 / cv^2, 1 / cv^2) * 10^runif(1, -0.5, 1))
  fit <- tryCatch(glm.nb(x ~ 1 + offset(log(t)), control = glm.control(epsilon = 1e-13, maxit = 200)),
                  warning = function(w) NULL, error = function(e) NULL)
  if (is.null(fit) || fit$theta > 1000) next
  mean_rate <- exp(coef(fit)[[1]])
  shape <- fit$theta + x[1]
  scale <- fit$theta / mean_rate + t[1]
  predicted <- dnbinom(0:8, size = shape, prob = scale / (scale + 2 * t[1]))
  cat(sprintf("%s,%s,%.17g,%.17g,%.17g,%s\n", numbers(x), numbers(t), mean_rate, fit$theta, fit$twologlik / 2,
              numbers(predicted)))
  done <- done + 1
}
