# Replacements of valve seats on 41 diesel engines (Meeker and Escobar 1998, Statistical Methods for Reliability Data, as
# the package's help says; first in Nelson and Doganaksoy 1989, from memory), as survival::valveSeat gives them: age in days at each replacement and at the end of
# observation. Prints tests/oracles/valve_seat.csv:
#   Rscript tests/oracles/valve_seat.R > tests/oracles/valve_seat.csv
# Made with R 4.2.2, survival 3.5-3 (LGPL >= 2). Origin and licence stand in the table's own columns.
v <- survival::valveSeat
cat("engine,end,replacements,origin,licence\n")
for (engine in unique(v$id)) {
  one <- v[v$id == engine, ]
  cat(engine, one$time[one$status == 0], paste(one$time[one$status == 1], collapse = " "),
      "valveSeat of R package survival 3.5-3", "LGPL >= 2", sep = ",")
  cat("\n")
}
