# Average run lengths of CUSUM and EWMA charts over random designs, and limits for wanted run lengths.
# Prints a CSV table; generated with R 4.2.2 and spc 0.6.7 (xcusum.arl, xewma.arl, xcusum.crit, xewma.crit):
#   Rscript tests/oracles/run_lengths.R > tests/oracles/run_lengths.csv
# parameter: k or lambda; limit: h or L; run lengths beyond 1e6 are left out, where R's own precision ends.
suppressPackageStartupMessages(library(spc))
set.seed(20240611)
row <- function(what, sides, parameter, limit, shift, length)
  cat(sprintf("%s,%s,%.17g,%.17g,%.17g,%.17g\n", what, sides, parameter, limit, shift, length))
cat("what,sides,parameter,limit,shift,length\n")
repeat_until <- function(count, draw) {
  done <- 0
  while (done < count) {
    case <- draw()
    if (is.finite(case$length) && case$length >= 1 && case$length <= 1e6) {
      do.call(row, case)
      done <- done + 1
    }
  }
}
for (sides in c("one", "two")) {
  repeat_until(120, function() {
    k <- runif(1, 0, 1.5); h <- runif(1, 0.2, 20); shift <- runif(1, -1, 4)
    list("cusum", sides, k, h, shift, length = as.numeric(xcusum.arl(k, h, shift, sided = sides, r = 100)))
  })
  repeat_until(120, function() {
    lambda <- runif(1, 0.03, 1); limit <- runif(1, 0.5, 4.5); shift <- runif(1, -1, 4)
    list("ewma", sides, lambda, limit, shift,
         length = as.numeric(xewma.arl(lambda, limit, shift, sided = sides, r = 100)))
  })
  for (i in 1:30) {
    k <- runif(1, 0.1, 1.2); length <- exp(runif(1, log(20), log(1e6)))
    row("cusum_limit", sides, k, as.numeric(xcusum.crit(k, if (sides == "two") 2 * length else length, r = 100)), 0,
        length)
    lambda <- runif(1, 0.05, 1); length <- exp(runif(1, log(20), log(1e5)))
    row("ewma_limit", sides, lambda, as.numeric(xewma.crit(lambda, length, sided = sides, r = 100)), 0, length)
  }
}
