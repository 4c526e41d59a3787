# Random cases for the mean cumulative function with units that enter late, leave and come back, and with ties: function
# and robust variance. Prints tests/oracles/mean_cumulative.csv, which is this script's output and not edited by hand:
#   Rscript tests/oracles/mean_cumulative.R > tests/oracles/mean_cumulative.csv
# Made with R 4.2.2, survival 3.5-3. Each value is computed twice, by the defining double sum below and, where no unit
# has two events at one age, by survfit() with an id (its cumulative hazard with infinitesimal-jackknife variance); the
# script stops where the two differ. The last case is survival::valveSeat.
suppressPackageStartupMessages(library(survival))
set.seed(20260602)

trim <- function(x) paste(ifelse(is.na(x), "NA", sprintf("%.11g", x)), collapse = " ")

# spans: data frame unit, from, to; events: data frame unit, age.
double_sum <- function(spans, events) {
  units <- sort(unique(spans$unit))
  ages <- sort(unique(events$age))
  at_risk <- sapply(ages, function(u) sapply(units, function(i) {
    sum(spans$unit == i & spans$from < u & u <= spans$to)
  }))
  count <- sapply(ages, function(u) sapply(units, function(i) sum(events$unit == i & events$age == u)))
  at_risk <- matrix(at_risk, nrow = length(units))
  count <- matrix(count, nrow = length(units))
  n <- colSums(at_risk)
  d <- colSums(count)
  residual <- sweep(at_risk * sweep(count, 2, d / n), 2, n, "/")
  sums <- t(apply(residual, 1, cumsum))
  if (length(ages) == 1) sums <- residual
  list(age = ages, n = n, d = d, mean = cumsum(d / n), variance = colSums(sums^2))
}

by_survfit <- function(spans, events) {
  rows <- do.call(rbind, lapply(seq_len(nrow(spans)), function(k) {
    s <- spans[k, ]
    cuts <- sort(unique(events$age[events$unit == s$unit & events$age > s$from & events$age <= s$to]))
    ends <- unique(c(cuts, s$to))
    data.frame(unit = s$unit, from = c(s$from, head(ends, -1)), to = ends, event = as.integer(ends %in% cuts))
  }))
  # survfit() takes a unit that comes back after a gap for an error in the data unless it has another id; its
  # residuals belong together all the same, hence the cluster.
  rows <- rows[order(rows$unit, rows$from), ]
  back <- c(FALSE, rows$unit[-1] == rows$unit[-nrow(rows)] & rows$from[-1] > rows$to[-nrow(rows)])
  rows$part <- rows$unit + 1000 * ave(as.numeric(back), rows$unit, FUN = cumsum)
  fit <- survfit(Surv(from, to, event) ~ 1, data = rows, id = part, cluster = unit)
  k <- fit$n.event > 0
  list(age = fit$time[k], mean = fit$cumhaz[k], variance = fit$std.chaz[k]^2)
}

# One stretch of ages, without a hole, in which some unit is at risk.
whole <- function(spans) {
  s <- spans[order(spans$from), ]
  all(s$from[-1] <= head(cummax(s$to), -1))
}

draw <- function() {
  repeat {
    m <- sample(2:7, 1)
    late <- sample(c(0, 10), 1)
    back <- sample(c(0, 0.5), 1)
    parts <- lapply(seq_len(m), function(i) {
      from <- if (late > 0) sample(0:late, 1) else 0
      to <- from + sample(5:40, 1)
      one <- data.frame(unit = i, from = from, to = to)
      if (runif(1) < back) {
        again <- to + sample(1:6, 1)
        one <- rbind(one, data.frame(unit = i, from = again, to = again + sample(5:20, 1)))
      }
      one
    })
    spans <- do.call(rbind, parts)
    # A rate of its own for each unit, so that events come in clusters.
    rate <- rgamma(m, 1.5) / 12
    events <- do.call(rbind, lapply(seq_len(nrow(spans)), function(k) {
      s <- spans[k, ]
      count <- rpois(1, rate[s$unit] * (s$to - s$from))
      if (count == 0) NULL else data.frame(unit = s$unit, age = s$from + sample(seq_len(s$to - s$from), count, replace = TRUE))
    }))
    if (!is.null(events) && nrow(events) <= 14 && whole(spans)) return(list(spans = spans, events = events))
  }
}

cat("case,span_unit,from,to,event_unit,event_age,confidence,age,at_risk,events,mean,variance,lower,upper\n")
doubled <- 0
show <- function(name, spans, events, confidence) {
  events <- events[order(events$unit, events$age), ]
  spans <- spans[order(spans$unit, spans$from), ]
  m <- double_sum(spans, events)
  if (anyDuplicated(events) == 0) {
    other <- by_survfit(spans, events)
    stopifnot(isTRUE(all.equal(m$age, other$age)), isTRUE(all.equal(m$mean, other$mean)),
              isTRUE(all.equal(m$variance, other$variance)))
    doubled <<- doubled + 1
  }
  z <- qnorm(1 - (1 - confidence) / 2)
  none <- m$variance <= 1e-12 * m$mean^2
  factor <- ifelse(none, NA, exp(z * sqrt(m$variance) / m$mean))
  cat(name, trim(spans$unit), trim(spans$from), trim(spans$to), trim(events$unit), trim(events$age), confidence,
      trim(m$age), trim(m$n), trim(m$d), trim(m$mean), trim(m$variance), trim(m$mean / factor), trim(m$mean * factor),
      sep = ",")
  cat("\n")
}
for (i in 1:250) {
  d <- draw()
  show(paste0("random", i), d$spans, d$events, sample(c(0.8, 0.9, 0.95), 1))
}
v <- valveSeat
ends <- v[v$status == 0, ]
show("valve_seat", data.frame(unit = ends$id, from = 0, to = ends$time),
     data.frame(unit = v$id[v$status == 1], age = v$time[v$status == 1]), 0.95)
stopifnot(doubled > 100)
