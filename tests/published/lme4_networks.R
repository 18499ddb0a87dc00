# lme4's fits of the simulated networks of tests/reml_networks.py.
#   python tests/reml_networks.py FOLDER
#   OPENBLAS_NUM_THREADS=1 Rscript tests/published/lme4_networks.R FOLDER 600 3000 10000 30000 counts_3000
# prints one line per network and variance: size, term, variance, criterion (REML, or -2 log L for counts), seconds of the fit and
# of the fit with predictions and their conditional variances (medians of three, of one where it takes above 100 s).
suppressMessages(library(lme4))
arguments <- commandArgs(trailingOnly = TRUE)
terms <- "site * season + (1 | hybrid) + (1 | hybrid:site) + (1 | hybrid:season) + (1 | hybrid:site:season) + (1 | plot) + (1 | block) + (1 | rep)"
fit_one <- function(d, name, start = NULL, ...) {
  if (startsWith(name, "counts"))
    return(glmer(cbind(alive, total - alive) ~ site + (1 | hybrid) + (1 | hybrid:site) + (1 | block), d, family = binomial,
                 control = glmerControl(calc.derivs = FALSE, ...)))
  formula <- as.formula(paste("yield ~", if (nlevels(d$site) == 1) "season + (1 | hybrid) + (1 | block)" else terms))
  lmer(formula, d, start = start, control = lmerControl(calc.derivs = FALSE, ...))
}
least <- function(d, name, quick) {  # the optimum itself, from where the quick fit stopped
  if (startsWith(name, "counts")) return(fit_one(d, name, optimizer = "bobyqa", tolPwrss = 1e-11,
                                                 optCtrl = list(rhobeg = 0.1, rhoend = 1e-9, maxfun = 1e5)))
  fit_one(d, name, getME(quick, "theta"), optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-8, maxfun = 20000))
}
cat("# ", R.version.string, ", lme4 ", as.character(packageVersion("lme4")), "\n", sep = "")
cat("size,term,variance,criterion,seconds,seconds_predicted\n")
for (name in arguments[-1]) {
  file <- if (startsWith(name, "counts")) name else paste0("network_", name)
  d <- read.csv(file.path(arguments[1], paste0(file, ".csv")), stringsAsFactors = TRUE)
  seconds <- predicted <- c()
  for (i in 1:3) {
    seconds <- c(seconds, system.time(quick <- fit_one(d, name))[["elapsed"]])
    predicted <- c(predicted, system.time(ranef(quick, condVar = TRUE))[["elapsed"]])
    if (seconds[1] + predicted[1] > 100) break
  }
  fit <- least(d, name, quick)
  v <- as.data.frame(VarCorr(fit))
  for (i in seq_len(nrow(v)))
    cat(sprintf("%s,%s,%.17g,%.12f,%.3f,%.3f\n", name, v$grp[i], v$vcov[i], -2 * as.numeric(logLik(fit)), median(seconds), median(seconds + predicted)))
}
