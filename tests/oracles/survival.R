# Random cases for the Kaplan–Meier curve with ties, delayed entry and clusters: curve, variances, limits, percentiles,
# restricted mean. Prints tests/oracles/survival.csv, which is this script's output and not edited by hand:
#   Rscript tests/oracles/survival.R > tests/oracles/survival.csv
# Made with R 4.2.2, survival 3.5-3. An entry of -Inf is a case watched from the start; R is given -1, before any exit.
suppressPackageStartupMessages(library(survival))
set.seed(20260601)

trim <- function(x) paste(ifelse(is.na(x), "NA", sprintf("%.11g", x)), collapse = " ")

# The curve says nothing beyond a time at which nobody is watched, or all that are have the event, while later cases enter.
sound <- function(entry, exit, event) {
  times <- sort(unique(exit))
  for (t in times[times < max(exit)]) {
    if (sum(entry <= t & exit > t) == 0) return(FALSE)
    if (any(entry >= t) && sum(entry < t & exit >= t) == sum(exit == t & event == 1)) return(FALSE)
  }
  any(event == 1) && (any(entry == -1) || all(entry < min(exit)))
}

draw <- function() {
  repeat {
    n <- sample(3:10, 1)
    grid <- sample(c(1, 0.5), 1)
    exit <- grid * sample(0:sample(c(8, 25, 60), 1), n, replace = TRUE)
    late <- runif(n) < sample(c(0, 0.5), 1)
    entry <- ifelse(late, pmax(0, exit - grid * sample(1:20, n, replace = TRUE)), -1)
    event <- as.integer(runif(n) < sample(c(0.5, 0.8, 1), 1))
    cluster <- sample(seq_len(sample(2:6, 1)), n, replace = TRUE)
    if (any(entry >= exit) || length(unique(cluster)) < 2) next
    if (sound(entry, exit, event)) return(list(entry = entry, exit = exit, event = event, cluster = cluster))
  }
}

# The smallest time at which a curve is at most 1 − p; checked against quantile(), which takes the middle of a stretch at
# exactly 1 − p.
reached <- function(time, curve, p) {
  at <- which(!is.na(curve) & curve <= 1 - p + 1e-9)
  if (length(at) == 0) NA_real_ else time[min(at)]
}

cat("entry,exit,event,cluster,confidence,time,at_risk,events,survival,error,log_lower,log_upper,lower,upper,cluster_error,cluster_lower,cluster_upper,median,median_lower,median_upper,p90,horizon,mean,mean_error,mean_cluster_error\n")
for (i in 1:300) {
  d <- draw()
  confidence <- sample(c(0.8, 0.9, 0.95), 1)
  y <- Surv(d$entry, d$exit, d$event)
  fit <- function(type, ...) survfit(y ~ 1, conf.int = confidence, conf.type = type, ...)
  log_log <- fit("log-log", robust = FALSE)
  plain_log <- fit("log", robust = FALSE)
  clustered <- fit("log-log", cluster = d$cluster, influence = 1)
  k <- log_log$n.event > 0
  time <- log_log$time[k]
  stopifnot(identical(time, clustered$time[clustered$n.event > 0]))
  zero <- log_log$surv[k] == 0
  known <- function(x) ifelse(zero, NA, x[k])

  for (p in c(0.5, 0.9)) {
    flat <- any(abs(log_log$surv - (1 - p)) < 1e-9)
    q <- quantile(log_log, p, conf.int = FALSE)
    stopifnot(flat || isTRUE(all.equal(unname(q), reached(time, log_log$surv[k], p))))
  }

  end <- max(d$exit)
  horizon <- if (any(zero) && runif(1) < 0.3) end + 5 else max(0.25, round(runif(1, 0.3, 1) * end, 2))
  table <- survival:::survmean(log_log, rmean = horizon)$matrix
  # The clustered variance of the area under the curve, from each cluster's influence on the curve.
  influence <- clustered$influence.surv
  if (is.list(influence)) influence <- influence[[1]]
  # A stretch of the curve reaches from a time to the next or to the horizon.
  ends <- pmin(c(clustered$time[-1], Inf), horizon)
  width <- pmax(0, ends - pmin(clustered$time, horizon))
  influence[!is.finite(influence)] <- 0
  mean_cluster_error <- sqrt(sum((influence %*% width)^2))

  cat(trim(ifelse(d$entry == -1, -Inf, d$entry)), trim(d$exit), trim(d$event), trim(d$cluster), confidence,
      trim(time), trim(log_log$n.risk[k]), trim(log_log$n.event[k]), trim(log_log$surv[k]),
      trim(known(log_log$surv * log_log$std.err)), trim(known(plain_log$lower)), trim(known(plain_log$upper)),
      trim(known(log_log$lower)), trim(known(log_log$upper)),
      trim(known(clustered$std.err)), trim(known(clustered$lower)), trim(known(clustered$upper)),
      trim(reached(time, log_log$surv[k], 0.5)), trim(reached(time, known(log_log$lower), 0.5)),
      trim(reached(time, known(log_log$upper), 0.5)), trim(reached(time, log_log$surv[k], 0.9)),
      trim(horizon), trim(table["rmean"]), trim(table["se(rmean)"]), trim(mean_cluster_error), sep = ",")
  cat("\n")
}
