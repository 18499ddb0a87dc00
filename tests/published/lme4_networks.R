# lme4's fits of the simulated networks of tests/reml_networks.py.
#   python tests/reml_networks.py FOLDER
#   OPENBLAS_NUM_THREADS=1 Rscript tests/published/lme4_networks.R FOLDER 600 3000 10000
# prints one line per network and variance: size, term, variance, REML criterion, seconds (median of three).
suppressMessages(library(lme4))
arguments <- commandArgs(trailingOnly = TRUE)
control <- lmerControl(calc.derivs = FALSE, optimizer = "bobyqa",
                       optCtrl = list(rhobeg = 0.2, rhoend = 1e-8, maxfun = 20000))
cat("# ", R.version.string, ", lme4 ", as.character(packageVersion("lme4")), "\n", sep = "")
cat("size,term,variance,criterion,seconds\n")
for (size in arguments[-1]) {
  d <- read.csv(file.path(arguments[1], paste0("network_", size, ".csv")), stringsAsFactors = TRUE)
  formula <- if (nlevels(d$site) == 1) yield ~ season + (1 | hybrid) + (1 | block) else
    yield ~ site * season + (1 | hybrid) + (1 | hybrid:site) + (1 | hybrid:season) +
      (1 | hybrid:site:season) + (1 | plot) + (1 | block) + (1 | rep)
  seconds <- c()
  for (i in 1:3) {
    seconds <- c(seconds, system.time(quick <- lmer(formula, d, control = lmerControl(calc.derivs = FALSE)))[["elapsed"]])
    if (seconds[1] > 15) break
  }
  fit <- lmer(formula, d, control = control, start = getME(quick, "theta"))
  v <- as.data.frame(VarCorr(fit))
  for (i in seq_len(nrow(v)))
    cat(sprintf("%s,%s,%.17g,%.12f,%.3f\n", size, v$grp[i], v$vcov[i], REMLcrit(fit), median(seconds)))
}
