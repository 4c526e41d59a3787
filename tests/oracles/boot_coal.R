# Dates of the 191 explosions in British coal mines with at least 10 deaths, 1851 to 1962, in years: data set `coal` of the
# R package boot 1.3-28.1 (licence "Unlimited"), after Jarrett, Biometrika 66 (1979), 191-193.
# Prints a CSV table; generated with R 4.2.2:
#   Rscript tests/oracles/boot_coal.R > tests/oracles/boot_coal.csv
cat("date\n")
cat(sprintf("%.10g\n", boot::coal$date), sep = "")
