# Benjamini-Hochberg adjusted p-values of random lists, ties included, by p.adjust().
# Prints a CSV table; generated with R 4.2.2 (stats alone):
#   Rscript tests/oracles/benjamini_hochberg.R > tests/oracles/benjamini_hochberg.csv
set.seed(20240615)
g <- function(x) paste(sprintf("%.17g", x), collapse = " ")
cat("p,adjusted\n")
for (case in 1:200) {
  n <- sample(1:30, 1)
  p <- c(rbeta(n, runif(1, 0.1, 1), 1), if (case %% 3 == 0) c(0, 1, 0.05, 0.05))
  if (case %% 4 == 0) p <- round(p, 1)
  p <- p[sample(length(p))]
  cat(g(p), ",", g(p.adjust(p, "BH")), "\n", sep = "")
}
