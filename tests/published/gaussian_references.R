# Gaussian mixed models fitted by lme4, lmerTest, pbkrtest and nlme, as references for tests/test_reml.py.
#   Rscript tests/published/gaussian_references.R FOLDER    (FOLDER holds network_600.csv of tests/reml_networks.py)
# prints one line per number: model, quantity, value.
suppressMessages({library(lme4); library(lmerTest); library(nlme); library(pbkrtest)})
folder <- commandArgs(trailingOnly = TRUE)[1]
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-9, maxfun = 50000))
say <- function(model, quantity, value) cat(sprintf("%s,%s,%.14g\n", model, quantity, value))
of_lmer <- function(model, fit) {
  v <- as.data.frame(VarCorr(fit))
  for (i in seq_len(nrow(v))) say(model, paste0("variance ", v$grp[i]), v$vcov[i])
  say(model, "criterion", if (isREML(fit)) REMLcrit(fit) else deviance(fit))
  b <- fixef(fit)
  for (i in seq_along(b)) { say(model, paste0("b", i), b[i]); say(model, paste0("se", i), sqrt(vcov(fit)[i, i])) }
}
cat("# ", R.version.string, ", lme4 ", as.character(packageVersion("lme4")), ", lmerTest ",
    as.character(packageVersion("lmerTest")), ", nlme ", as.character(packageVersion("nlme")), "\n", sep = "")
cat("model,quantity,value\n")

of_lmer("dyestuff_ml", lmer(Yield ~ 1 + (1 | Batch), lme4::Dyestuff, REML = FALSE, control = tight))
of_lmer("penicillin", lmer(diameter ~ 1 + (1 | plate) + (1 | sample), lme4::Penicillin, control = tight))
of_lmer("penicillin_ml", lmer(diameter ~ 1 + (1 | plate) + (1 | sample), lme4::Penicillin, REML = FALSE, control = tight))
of_lmer("pastes", lmer(strength ~ 1 + (1 | batch) + (1 | batch:cask), lme4::Pastes, control = tight))
of_lmer("pastes_ml", lmer(strength ~ 1 + (1 | batch) + (1 | batch:cask), lme4::Pastes, REML = FALSE, control = tight))
of_lmer("cake", lmer(angle ~ recipe * temp + (1 | recipe:replicate), lme4::cake, control = tight))
of_lmer("machines", lmer(score ~ Machine + (1 | Worker) + (1 | Worker:Machine), nlme::Machines, control = tight))
of_lmer("ergostool", lmer(effort ~ Type + (1 | Subject), nlme::ergoStool, control = tight))
of_lmer("oxide", lmer(Thickness ~ 1 + (1 | Lot) + (1 | Lot:Wafer), nlme::Oxide, control = tight))
of_lmer("assay", lmer(logDens ~ sample + (1 | Block) + (1 | Block:sample) + (1 | Block:dilut), nlme::Assay, control = tight))

# Unbalanced: rows 1, 5, 9, 14, 23, 40 and 41 of Machines left out
some <- as.data.frame(nlme::Machines)[-c(1, 5, 9, 14, 23, 40, 41), ]
contrasts(some$Machine) <- contr.treatment(3)
fit <- lmerTest::lmer(score ~ Machine + (1 | Worker) + (1 | Worker:Machine), some, control = tight)
of_lmer("machines_part", fit)
table <- coef(summary(fit))
for (i in 1:3) { say("machines_part", paste0("df", i), table[i, "df"]); say("machines_part", paste0("p", i), table[i, "Pr(>|t|)"]) }
f <- anova(fit)
say("machines_part", "F", f[1, "F value"]); say("machines_part", "F df", f[1, "DenDF"])
kr <- function(model, large, small) {
  k <- KRmodcomp(large, small)
  for (what in c("Fstat", "ddf", "p.value")) say(model, paste("KR", what), getKR(k, what))
}
kr("machines_part", fit, update(fit, . ~ . - Machine))
data(beets, package = "pbkrtest")
fit <- lme4::lmer(sugpct ~ block + sow + harvest + (1 | block:harvest), beets, control = tight)
kr("beets_harvest", fit, update(fit, . ~ . - harvest))
kr("beets_sow", fit, update(fit, . ~ . - sow))
part <- beets[-c(2, 7, 11, 24, 25, 29), ]
fit <- lme4::lmer(sugpct ~ block + sow + harvest + (1 | block:harvest), part, control = tight)
kr("beets_part_harvest", fit, update(fit, . ~ . - harvest))
kr("beets_part_sow", fit, update(fit, . ~ . - sow))
d <- read.csv(file.path(folder, "network_600.csv"), stringsAsFactors = TRUE)
fit <- lmerTest::lmer(yield ~ hybrid + season + (1 | block) + (1 | plot), d, control = tight)
say("network_600", "criterion", REMLcrit(fit))
f <- anova(fit)
for (i in 1:2) { say("network_600", paste0("F", i), f[i, "F value"]); say("network_600", paste0("F df", i), f[i, "DenDF"]) }

ortho <- as.data.frame(nlme::Orthodont)
ortho$Subject <- factor(as.character(ortho$Subject))
ortho$Sex <- factor(as.character(ortho$Sex), c("Female", "Male"))
close <- lmeControl(msTol = 1e-12, tolerance = 1e-10, niterEM = 50, returnObject = TRUE)
fit <- lme(distance ~ age * Sex, ortho, random = ~ 1 | Subject, weights = varIdent(form = ~ 1 | Sex), control = close)
ratio <- coef(fit$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)
say("orthodont_by_sex", "criterion", -2 * as.numeric(logLik(fit)))
say("orthodont_by_sex", "variance Subject", as.numeric(VarCorr(fit)[1, 1]))
for (sex in names(ratio)) say("orthodont_by_sex", paste0("variance residual ", sex), (sigma(fit) * ratio[[sex]])^2)
known <- lme(distance ~ age * Sex, transform(ortho, v = 1 + age / 10), random = ~ 1 | Subject, method = "ML",
             weights = varFixed(~ v), control = lmeControl(sigma = 1, msTol = 1e-12, tolerance = 1e-10))
say("orthodont_known", "variance Subject", as.numeric(VarCorr(known)[1, 1]))
for (i in 1:4) { say("orthodont_known", paste0("b", i), fixef(known)[i]); say("orthodont_known", paste0("se", i), sqrt(vcov(known)[i, i])) }
