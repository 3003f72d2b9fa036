# The whole analysis of a million trials in R, to check drench's against and to
# compare the time that it takes: summary, quantiles, order-statistic ranks,
# survival curve, and a quantile of it with log-log bounds.
#
#   Rscript crosscheck.R FILE [REPEATS]
#
# FILE holds doubles, little-endian: n, then n latencies, then n flags (1 where
# censored). Prints a line "name value" for each result, then "seconds" and "cpu"
# (seconds of processor) for the fastest of the repeats, reading and loading left
# out. Needs base R and the package survival (Debian: r-base-core,
# r-cran-survival); without survival the exit status is 3.
#
# results/stats/crosscheck_test.go writes the file, runs this and compares:
#   go test ./results/stats -run '^$' -bench AgainstR -benchtime 5x

if (!suppressWarnings(require(survival, quietly = TRUE))) quit(status = 3)

args <- commandArgs(trailingOnly = TRUE)
repeats <- if (length(args) > 1) as.integer(args[2]) else 1L
input <- file(args[1], "rb")
n <- readBin(input, "double", 1, endian = "little")
x <- readBin(input, "double", n, endian = "little")
censored <- readBin(input, "double", n, endian = "little")
close(input)
stopifnot(length(x) == n, length(censored) == n)

# ranks returns the order statistics that bound the p quantile.
ranks <- function(n, p, conf) {
  a <- (1 - conf) / 2
  lower <- qbinom(a, n, p)
  if (pbinom(lower, n, p) <= a) lower <- lower + 1
  c(lower, qbinom(1 - a, n, p) + 1)
}

analyse <- function() {
  m <- mean(x)
  d <- x - m
  out <- c(mean = m, sd = sd(x), min = min(x), max = max(x), lag1 = sum(d[-1] * d[-n]) / sum(d^2))
  q <- quantile(x, c(0.5, 0.95, 0.99), names = FALSE)
  out <- c(out, q50 = q[1], q95 = q[2], q99 = q[3])
  for (p in c(0.5, 0.95, 0.99)) {
    r <- ranks(n, p, 0.95)
    out[sprintf("lower%g", 100 * p)] <- r[1]
    out[sprintf("upper%g", 100 * p)] <- r[2]
  }
  # timefix = FALSE: otherwise R takes times for equal that differ by about 1e-8
  # relatively, and has fewer steps.
  fit <- survfit(Surv(x, censored == 0) ~ 1, conf.type = "log-log", timefix = FALSE)
  k <- quantile(fit, 0.95)
  c(out, steps = sum(fit$n.event > 0), km95 = unname(k$quantile), kmlower95 = unname(k$lower), kmupper95 = unname(k$upper))
}

best <- c(seconds = Inf, cpu = Inf)
for (i in seq_len(repeats)) {
  begun <- proc.time()
  out <- analyse()
  spent <- proc.time() - begun
  best <- pmin(best, c(spent[["elapsed"]], spent[["user.self"]] + spent[["sys.self"]]))
}
for (name in names(out)) cat(name, format(out[[name]], digits = 17), "\n")
for (name in names(best)) cat(name, best[[name]], "\n")
