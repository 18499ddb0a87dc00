# Mixed models with structured covariance, binomial counts and ordered scores, as references for
# tests/test_mixed_references.py.
#   OPENBLAS_NUM_THREADS=1 Rscript tests/published/structured_references.R tests/published > structured_references.csv
# prints one line per number: model, quantity, value, call. Nothing is drawn at random here.
#
# Every gaussian model of lme4 and nlme is fitted a second time from where they stopped: nlminb, then Newton steps, on the
# criterion written out below with the full covariance matrix. The script stops where the two optima differ
# by more than 1e-3 (nlme stops early on a flat ridge), or the package's is lower; the values printed are those of the second, which ends where its gradient is
# zero to rounding. "dense" in a call says that there is no such package and only this fit.
suppressMessages({library(lme4); library(nlme); library(MASS); library(ordinal); library(numDeriv)})
folder <- commandArgs(trailingOnly = TRUE)[1]
get <- function(name) read.csv(file.path(folder, paste0(name, ".csv")), comment.char = "#", stringsAsFactors = TRUE)
say <- function(model, quantity, value, call) cat(sprintf("%s,%s,%.14g,\"%s\"\n", model, quantity, value, call))
flat <- function(call) gsub("\"", "'", gsub("\\s+", " ", paste(deparse(call, 500), collapse = " ")))
versions <- sapply(c("lme4", "nlme", "MASS", "ordinal", "numDeriv"), function(p) as.character(packageVersion(p)))
cat("# Mixed models on the data sets of this folder, printed by structured_references.R (how: see there).\n")
cat("# ", R.version.string, ", ", paste(names(versions), versions, collapse = ", "), "\n", sep = "")
cat("model,quantity,value,call\n")

# -- the definition: -2 log likelihood, restricted unless ml
gls_at <- function(v, y, x, by = NULL) {  # by: records of different levels are independent
  half <- cbind(x, y); log_v <- 0
  for (i in if (is.null(by)) list(seq_along(y)) else split(seq_along(y), by)) {
    root <- tryCatch(chol(v[i, i, drop = FALSE]), error = function(e) NULL)
    if (is.null(root)) return(NULL)
    half[i, ] <- backsolve(root, half[i, , drop = FALSE], transpose = TRUE)
    log_v <- log_v + 2 * sum(log(diag(root)))
  }
  p <- ncol(x)
  q <- qr(half[, 1:p, drop = FALSE])
  rest <- qr.resid(q, half[, p + 1])
  list(log_v = log_v, log_x = 2 * sum(log(abs(diag(qr.R(q))))), rss = sum(rest^2),
       b = qr.coef(q, half[, p + 1]), cov = chol2inv(qr.R(q))[order(q$pivot), order(q$pivot), drop = FALSE])
}
criterion <- function(v, y, x, ml, by = NULL) {
  g <- gls_at(v, y, x, by)
  if (is.null(g)) return(1e10)
  g$log_v + g$rss + (if (ml) 0 else g$log_x) + (length(y) - (if (ml) 0 else ncol(x))) * log(2 * pi)
}
dense <- function(model, call, y, x, start, v, report, package = NULL, ml = FALSE, by = NULL) {
  f <- function(t) criterion(v(t), y, x, ml, by)
  t <- unname(start)
  for (i in 1:5) t <- nlminb(t, f, control = list(rel.tol = 1e-14, x.tol = 1e-12, eval.max = 5000, iter.max = 3000))$par
  for (i in 1:3) {
    g <- grad(f, t); h <- hessian(f, t)
    step <- tryCatch(solve(h, g), error = function(e) NULL)
    if (is.null(step) || f(t - step) > f(t) + 1e-9) break
    t <- t - step
  }
  low <- f(t)
  message(sprintf("%-28s %.8f  package less this %.2e  largest slope %.1e", model, low,
                  if (is.null(package)) NA else package - low, max(abs(grad(f, t)))))
  if (!is.null(package)) stopifnot(package > low - 1e-7, package < low + 1e-3)
  say(model, "criterion", low, call)
  values <- report(t)
  for (n in names(values)) say(model, n, values[[n]], call)
  at <- gls_at(v(t), y, x, by)
  for (i in seq_len(min(4, ncol(x)))) { say(model, paste0("b", i), at$b[i], call); say(model, paste0("se", i), sqrt(at$cov[i, i]), call) }
  invisible(list(t = t, at = at))
}
same <- function(a) outer(as.integer(factor(a)), as.integer(factor(a)), "==") * 1
lower <- function(t, m) { l <- matrix(0, m, m); l[lower.tri(l, TRUE)] <- t; l }
cells <- function(k, name, levels) {
  out <- list()
  for (i in seq_len(nrow(k))) for (j in seq_len(i)) out[[paste(name, levels[i], levels[j])]] <- k[i, j]
  out
}
root_of <- function(k) t(chol(k))[lower.tri(k, TRUE)]
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhobeg = 0.2, rhoend = 1e-9, maxfun = 50000))
close <- lmeControl(msTol = 1e-10, tolerance = 1e-9, niterEM = 50, returnObject = TRUE, maxIter = 500, msMaxIter = 1000, msMaxEval = 5000)
near <- glsControl(opt = "optim", msTol = 1e-12, tolerance = 1e-8, maxIter = 500, msMaxIter = 1000)
minus2 <- function(fit) -2 * as.numeric(logLik(fit))

# -- random slopes
sleep <- get("belenky_2003_sleepstudy"); sleep$subject <- factor(sleep$subject)
x <- model.matrix(~ day, sleep); z <- cbind(1, sleep$day); within <- same(sleep$subject)
both <- function(t) { k <- tcrossprod(lower(t[1:3], 2)); within * (z %*% k %*% t(z)) + exp(t[4]) * diag(nrow(z)) }
for (ml in c(FALSE, TRUE)) {
  fit <- lmer(reaction ~ day + (day | subject), sleep, REML = !ml, control = tight)
  dense(if (ml) "sleepstudy_ml" else "sleepstudy", if (ml) "lmer(reaction ~ day + (day | subject), REML = FALSE)" else
        "lmer(reaction ~ day + (day | subject))", sleep$reaction, x, c(root_of(matrix(VarCorr(fit)$subject, 2)), log(sigma(fit)^2)), both,
        function(t) c(cells(tcrossprod(lower(t[1:3], 2)), "subject", c("intercept", "day")), residual = exp(t[4])), minus2(fit), ml)
}
fit <- lmer(reaction ~ day + (day || subject), sleep, control = tight)
v <- as.data.frame(VarCorr(fit))$vcov
dense("sleepstudy_apart", "lmer(reaction ~ day + (day || subject))", sleep$reaction, x, log(v),
      function(t) within * (exp(t[1]) + exp(t[2]) * tcrossprod(z[, 2])) + exp(t[3]) * diag(nrow(z)),
      function(t) list("subject intercept" = exp(t[1]), "subject day" = exp(t[2]), residual = exp(t[3])), minus2(fit))

# -- a field with a trend, variety fixed
wheat <- get("stroup_1994_wheat2"); wheat$block <- factor(wheat$block)
x <- model.matrix(~ 0 + variety, wheat); n <- nrow(wheat)
far <- as.matrix(dist(wheat[c("latitude", "longitude")]))
shapes <- list(exponential = function(d) exp(-d), gaussian = function(d) exp(-d^2), "rational quadratic" = function(d) 1 / (1 + d^2))
classes <- list(exponential = corExp, gaussian = corGaus, "rational quadratic" = corRatio)
variety_f <- function(at) {
  c <- cbind(-1, diag(55)); m <- c %*% at$b
  drop(t(m) %*% solve(c %*% at$cov %*% t(c), m)) / 55
}
plain <- gls(yield ~ 0 + variety, wheat)
d <- dense("wheat_iid", "gls(yield ~ 0 + variety)", wheat$yield, x, log(sigma(plain)^2), function(t) exp(t) * diag(n),
           function(t) list(residual = exp(t)), minus2(plain))
say("wheat_iid", "F variety", variety_f(d$at), "anova(gls(yield ~ variety)) F")
for (shape in names(shapes)) {
  own <- classes[[shape]](c(13, 0.2), form = ~ latitude + longitude, nugget = TRUE)
  fit <- gls(yield ~ 0 + variety, wheat, correlation = own, control = near)
  par <- coef(fit$modelStruct$corStruct, unconstrained = FALSE); s2 <- sigma(fit)^2
  call <- sprintf("gls(yield ~ 0 + variety, correlation = %s(c(13, 0.2), form = ~ latitude + longitude, nugget = TRUE))",
                  c(exponential = "corExp", gaussian = "corGaus", "rational quadratic" = "corRatio")[[shape]])
  name <- paste("wheat", shape)
  d <- dense(name, call, wheat$yield, x, log(c(s2 * (1 - par[2]), par[1], s2 * par[2])),
             function(t) exp(t[1]) * shapes[[shape]](far / exp(t[2])) + exp(t[3]) * diag(n),
             function(t) list(trend = exp(t[1]), range = exp(t[2]), residual = exp(t[3]), steepness = exp(t[1] - t[2]), nugget = exp(t[3]) / (exp(t[1]) + exp(t[3]))), minus2(fit))
  say(name, "F variety", variety_f(d$at), sub("0 \\+ ", "", paste("anova of", call)))
}
# the exponential with a nugget flattens into a straight variogram (range without end); alone it has a range
fit <- gls(yield ~ 0 + variety, wheat, correlation = corExp(13, form = ~ latitude + longitude), control = near)
dense("wheat exponential alone", "gls(yield ~ 0 + variety, correlation = corExp(13, form = ~ latitude + longitude))", wheat$yield, x,
      log(c(sigma(fit)^2, coef(fit$modelStruct$corStruct, unconstrained = FALSE))), function(t) exp(t[1]) * exp(-far / exp(t[2])),
      function(t) list(trend = exp(t[1]), range = exp(t[2])), minus2(fit))
blocks <- same(wheat$block)
fit <- lme(yield ~ 0 + variety, wheat, random = ~ 1 | block, control = close,
           correlation = corRatio(c(13, 0.2), form = ~ latitude + longitude | block, nugget = TRUE))
par <- coef(fit$modelStruct$corStruct, unconstrained = FALSE); s2 <- sigma(fit)^2
dense("wheat_in_blocks", paste("lme(yield ~ 0 + variety, random = ~ 1 | block, correlation = corRatio(c(13, 0.2),",
      "form = ~ latitude + longitude | block, nugget = TRUE))"), wheat$yield, x,
      log(c(as.numeric(VarCorr(fit)[1, 1]), s2 * (1 - par[2]), par[1], s2 * par[2])),
      function(t) blocks * (exp(t[1]) + exp(t[2]) * shapes[[3]](far / exp(t[3]))) + exp(t[4]) * diag(n),
      function(t) list(block = exp(t[1]), trend = exp(t[2]), range = exp(t[3]), residual = exp(t[4])), minus2(fit))
ar <- function(place, rho) rho^abs(outer(place, place, "-"))
grid <- function(d, t) exp(t[1]) * ar(d$row, tanh(t[2])) * ar(d$column, tanh(t[3]))
dense("wheat_ar1_ar1", "dense: 0 + variety, s rho_row^|row| rho_column^|column| + residual", wheat$yield, x, c(log(20), 1.5, 1.5, log(8)),
      function(t) grid(wheat, t) + exp(t[4]) * diag(n),
      function(t) list(trend = exp(t[1]), "rho row" = tanh(t[2]), "rho column" = tanh(t[3]), residual = exp(t[4])))
field <- get("simulated_grid"); n <- nrow(field); hybrids <- same(field$variety)
dense("grid_ar1_ar1", "dense: 1, variety random, s rho_row^|row| rho_column^|column| + residual", field$yield, matrix(1, n), c(log(2), 0.8, 0.5, log(1), log(1)),
      function(t) grid(field, t) + exp(t[4]) * hybrids + exp(t[5]) * diag(n),
      function(t) list(trend = exp(t[1]), "rho row" = tanh(t[2]), "rho column" = tanh(t[3]), variety = exp(t[4]), residual = exp(t[5])))

# -- repeated measures
ortho <- get("potthoff_1964_orthodont"); x <- model.matrix(~ age * Sex, ortho); n <- nrow(ortho)
children <- same(ortho$Subject); occasion <- (ortho$age - 6) / 2; y <- ortho$distance
fit <- gls(distance ~ age * Sex, ortho, correlation = corSymm(form = ~ 1 | Subject), weights = varIdent(form = ~ 1 | age), control = near)
k <- matrix(as.numeric(getVarCov(fit, individual = "M01")), 4)
dense("orthodont_unstructured", "gls(distance ~ age * Sex, correlation = corSymm(form = ~ 1 | Subject), weights = varIdent(form = ~ 1 | age))",
      y, x, root_of(k), function(t) children * tcrossprod(lower(t, 4))[occasion, occasion],
      function(t) cells(tcrossprod(lower(t, 4)), "age", c(8, 10, 12, 14)), minus2(fit))
fit <- gls(distance ~ age * Sex, ortho, correlation = corAR1(form = ~ 1 | Subject), control = near)
dense("orthodont_ar1", "gls(distance ~ age * Sex, correlation = corAR1(form = ~ 1 | Subject))", y, x,
      c(log(sigma(fit)^2), atanh(coef(fit$modelStruct$corStruct, unconstrained = FALSE))), function(t) children * exp(t[1]) * ar(occasion, tanh(t[2])),
      function(t) list(variance = exp(t[1]), rho = tanh(t[2])), minus2(fit))
fit <- gls(distance ~ age * Sex, ortho, correlation = corCompSymm(form = ~ 1 | Subject), control = near)
rho <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)
dense("orthodont_compound", "gls(distance ~ age * Sex, correlation = corCompSymm(form = ~ 1 | Subject))", y, x, log(sigma(fit)^2 * c(rho, 1 - rho)),
      function(t) exp(t[1]) * children + exp(t[2]) * diag(n), function(t) list(Subject = exp(t[1]), residual = exp(t[2])), minus2(fit))
fit <- lme(distance ~ age * Sex, ortho, random = ~ 1 | Subject, weights = varIdent(form = ~ 1 | age), control = close)
ratio <- coef(fit$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)[c("8", "10", "12", "14")]
dense("orthodont_by_age", "lme(distance ~ age * Sex, random = ~ 1 | Subject, weights = varIdent(form = ~ 1 | age))", y, x,
      log(c(as.numeric(VarCorr(fit)[1, 1]), (sigma(fit) * ratio)^2)), function(t) exp(t[1]) * children + diag(exp(t[-1])[occasion]),
      function(t) setNames(as.list(exp(t)), c("Subject", paste("residual", c(8, 10, 12, 14)))), minus2(fit))
fit <- gls(distance ~ age * Sex, ortho, correlation = corAR1(form = ~ 1 | Subject), method = "ML", control = near)
dense("orthodont_ar1_ml", "gls(distance ~ age * Sex, correlation = corAR1(form = ~ 1 | Subject), method = 'ML')", y, x,
      c(log(sigma(fit)^2), atanh(coef(fit$modelStruct$corStruct, unconstrained = FALSE))), function(t) children * exp(t[1]) * ar(occasion, tanh(t[2])),
      function(t) list(variance = exp(t[1]), rho = tanh(t[2])), minus2(fit), ml = TRUE)
sex <- as.integer(ortho$Sex)
dense("orthodont_ar1_by_sex", "dense: age * Sex, s rho^|occasion| within Subject + residual by Sex", y, x, c(1, 1, log(0.5), log(2)),
      function(t) children * exp(t[1]) * ar(occasion, tanh(t[2])) + diag(exp(t[2 + sex])),
      function(t) list(variance = exp(t[1]), rho = tanh(t[2]), "residual Female" = exp(t[3]), "residual Male" = exp(t[4])), by = ortho$Subject)
boys <- get("goldstein_1987_oxboys")
wide <- reshape(boys[c("subject", "occasion", "height")], idvar = "subject", timevar = "occasion", direction = "wide")
k <- cov(wide[-1]); x <- model.matrix(~ 0 + factor(occasion), boys); boy <- same(boys$subject)
say("oxboys_unstructured", "criterion", criterion(boy * k[boys$occasion, boys$occasion], boys$height, x, FALSE), "cov() of the boys: complete records so in closed form")
for (n in names(cells(k, "occasion", 1:9))) say("oxboys_unstructured", n, cells(k, "occasion", 1:9)[[n]], "cov() of the boys")
mares <- get("pierson_1987_ovary"); mares$mare <- factor(mares$mare)
x <- model.matrix(~ sin(2 * pi * time) + cos(2 * pi * time), mares); mare <- same(mares$mare); n <- nrow(mares)
for (slope in c(FALSE, TRUE)) {
  fit <- lme(follicles ~ sin(2 * pi * time) + cos(2 * pi * time), mares, correlation = corAR1(form = ~ 1 | mare), control = close,
             random = if (slope) list(mare = pdDiag(~ sin(2 * pi * time))) else ~ 1 | mare)
  s <- as.numeric(VarCorr(fit)[, 1])
  dense(if (slope) "ovary_ar1_slopes" else "ovary_ar1", paste0("lme(follicles ~ sin(2 * pi * time) + cos(2 * pi * time), random = ",
        if (slope) "list(mare = pdDiag(~ sin(2 * pi * time)))" else "~ 1 | mare", ", correlation = corAR1(form = ~ 1 | mare))"), mares$follicles, x,
        c(log(s[1]), log(sigma(fit)^2), atanh(coef(fit$modelStruct$corStruct, unconstrained = FALSE)), if (slope) log(s[2])),
        function(t) mare * (exp(t[1]) + (if (slope) exp(t[4]) * tcrossprod(x[, 2]) else 0) + exp(t[2]) * ar(mares$occasion, tanh(t[3]))),
        function(t) c(list(mare = exp(t[1]), process = exp(t[2]), rho = tanh(t[3])), if (slope) list(sine = exp(t[4]))), minus2(fit))
}
rats <- get("crowder_1990_bodyweight"); rats$rat <- factor(rats$rat); rats$diet <- factor(rats$diet); rats$week <- rats$day / 7
x <- model.matrix(~ week * diet, rats); rat <- same(rats$rat); z <- x[, 1:2]; n <- nrow(rats)
fit <- lme(weight ~ week * diet, rats, random = ~ week | rat, correlation = corExp(form = ~ week | rat), control = close)
k <- matrix(as.numeric(getVarCov(fit)), 2)
dense("bodyweight_exponential", "lme(weight ~ week * diet, random = ~ week | rat, correlation = corExp(form = ~ week | rat)), week = day / 7", rats$weight, x,
      c(root_of(k), log(sigma(fit)^2), log(coef(fit$modelStruct$corStruct, unconstrained = FALSE))),
      function(t) rat * (z %*% tcrossprod(lower(t[1:3], 2)) %*% t(z) + exp(t[4]) * exp(-abs(outer(rats$week, rats$week, "-")) / exp(t[5]))),
      function(t) c(cells(tcrossprod(lower(t[1:3], 2)), "rat", c("intercept", "week")), process = exp(t[4]), range = exp(t[5])), minus2(fit))

# -- two traits
stack <- function(d, one, two, keep) {
  long <- rbind(data.frame(d[keep], trait = one, y = d[[one]], unit = seq_len(nrow(d))), data.frame(d[keep], trait = two, y = d[[two]], unit = seq_len(nrow(d))))
  long$trait <- factor(long$trait, c(one, two)); long$unit <- factor(long$unit); long
}
two_traits <- function(model, long, group, fixed, words) {
  long$group <- long[[group]]
  long <- long[order(long$group, long$unit, long$trait), ]
  fit <- lme(fixed, long, random = ~ 0 + trait | group, correlation = corSymm(form = ~ as.integer(trait) | group / unit),
             weights = varIdent(form = ~ 1 | trait), control = close)
  x <- model.matrix(fixed, long); g <- same(long$group); u <- same(long$unit); j <- as.integer(long$trait)
  rho <- coef(fit$modelStruct$corStruct, unconstrained = FALSE)
  sd <- sigma(fit) * coef(fit$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)[levels(long$trait)]
  r <- outer(sd, sd) * matrix(c(1, rho, rho, 1), 2)
  dense(model, words, long$y, x, c(root_of(matrix(as.numeric(getVarCov(fit)), 2)), root_of(r)),
        function(t) g * tcrossprod(lower(t[1:3], 2))[j, j] + u * tcrossprod(lower(t[4:6], 2))[j, j],
        function(t) c(cells(tcrossprod(lower(t[1:3], 2)), group, levels(long$trait)), cells(tcrossprod(lower(t[4:6], 2)), "unit", levels(long$trait))), minus2(fit), by = long$group)
}
long <- stack(get("immer_1934_barley"), "yield_1931", "yield_1932", c("place", "variety"))
two_traits("barley_two_years", long, "place", y ~ 0 + trait:variety, paste("lme(y ~ 0 + trait:variety, random = ~ 0 + trait | place,",
           "correlation = corSymm(form = ~ as.integer(trait) | place / plot), weights = varIdent(form = ~ 1 | trait))"))
long <- stack(get("snijders_1999_nlschools"), "language", "iq", c("class", "status"))
long <- long[!(long$trait == "iq" & as.integer(long$unit) %% 7 == 0), ]
two_traits("pupils_two_scores", long, "class", y ~ 0 + trait + trait:status, paste("lme(y ~ 0 + trait + trait:status, random = ~ 0 + trait | class,",
           "correlation = corSymm(form = ~ as.integer(trait) | class / pupil), weights = varIdent(form = ~ 1 | trait)); iq left out for every seventh pupil"))

# -- one common factor
cake <- get("cochran_1957_cake"); x <- model.matrix(~ recipe * temp, cake); j <- (cake$temp - 165) / 10
cakes <- same(paste(cake$recipe, cake$replicate)); one <- function(t, m) tcrossprod(t[1:m]) + diag(exp(t[m + 1:m]))
dense("cake_factor", "dense: recipe * temp, covariance of temperatures within recipe:replicate l l' + diagonal, no residual", cake$angle, x,
      c(rep(6, 6), log(rep(20, 6))), function(t) cakes * one(t, 6)[j, j],
      function(t) cells(one(t, 6), "temperature", seq(175, 225, 10)), by = paste(cake$recipe, cake$replicate))
trial <- get("simulated_sites"); x <- model.matrix(~ 0 + site, trial); j <- as.integer(trial$site); hybrid <- same(trial$hybrid)
dense("sites_factor", "dense: 0 + site, covariance of sites within hybrid l l' + diagonal, residual variance by site", trial$yield, x,
      c(rep(0.8, 6), log(rep(0.4, 6)), log(rep(1, 6))), function(t) hybrid * one(t, 6)[j, j] + diag(exp(t[13:18])[j]),
      function(t) c(cells(one(t, 6), "site", levels(trial$site)), setNames(as.list(exp(t[13:18])), paste("residual", levels(trial$site)))), by = trial$hybrid)

# -- counts: glmer by two optimisers, the lower of the two; with more nodes the criterion lacks the likelihood of the saturated model
counts <- function(model, formula, data, nodes = 1) {
  fits <- lapply(list(glmerControl(optimizer = "bobyqa", tolPwrss = 1e-11, calc.derivs = FALSE, optCtrl = list(rhobeg = 0.1, rhoend = 1e-9, maxfun = 1e5)),
                      glmerControl(optimizer = "nlminbwrap", tolPwrss = 1e-11, calc.derivs = FALSE)),
                 function(control) suppressMessages(glmer(formula, data, family = binomial, nAGQ = nodes, control = control)))
  low <- which.min(sapply(fits, minus2)); fit <- fits[[low]]
  part <- model.response(model.frame(fit)); n <- if (is.matrix(part)) rowSums(part) else rep(1, length(part)); y <- if (is.matrix(part)) part[, 1] else part
  saturated <- if (nodes > 1) -2 * sum(dbinom(y, n, y / n, log = TRUE)) else 0
  fit_again <- sapply(fits, minus2)
  message(sprintf("%-28s %.8f  optimisers differ by %.1e", model, minus2(fit) + saturated, diff(range(fit_again))))
  stopifnot(diff(range(fit_again)) < 1e-4)
  if (nodes > 1) check_integral(fit, y, n, minus2(fit) + saturated)
  call <- sprintf("glmer(%s, family = binomial, nAGQ = %d)", flat(formula), nodes)
  say(model, "criterion", minus2(fit) + saturated, call)
  v <- as.data.frame(VarCorr(fit))
  for (i in seq_len(nrow(v))) say(model, paste("variance", v$grp[i]), v$vcov[i], call)
  for (i in seq_along(fixef(fit))) say(model, paste0("b", i), fixef(fit)[i], call)
}
check_integral <- function(fit, y, n, value) {  # R's integrate, group by group, at the estimates
  eta <- drop(getME(fit, "X") %*% fixef(fit)); s <- getME(fit, "theta"); group <- getME(fit, "flist")[[1]]
  one <- function(i) log(integrate(function(u) sapply(u, function(v) exp(sum(dbinom(y[i], n[i], plogis(eta[i] + s * v), log = TRUE)) + dnorm(v, log = TRUE))),
                                   -9, 9, rel.tol = 1e-10, subdivisions = 2000)$value)
  exact <- -2 * sum(tapply(seq_along(y), group, one))
  message(sprintf("%28s quadrature less integral %.1e", "", value - exact))
  stopifnot(abs(value - exact) < 0.02)
}
herds <- get("lesnoff_2004_cbpp"); herds$period <- factor(herds$period); herds$herd <- factor(herds$herd)
for (nodes in c(1, 10, 25)) counts(paste0("cbpp_", nodes), cbind(incidence, size - incidence) ~ period + (1 | herd), herds, nodes)
germs <- get("venables_2002_bacteria"); germs$late <- as.integer(germs$week > 2); germs$treatment <- relevel(germs$treatment, "placebo")
for (nodes in c(1, 10, 25)) counts(paste0("bacteria_", nodes), present ~ treatment + late + (1 | child), germs, nodes)
plates <- get("crowder_1978_table1"); plates$plate <- factor(seq_len(nrow(plates)))
for (nodes in c(1, 10, 25)) counts(paste0("plates_", nodes), cbind(y, n - y) ~ dilution + (1 | plate), plates, nodes)
verbs <- get("deboeck_2004_verbagg")
counts("verbagg_crossed", yes ~ behaviour + situation + mode + (1 | person) + (1 | item), verbs)
trial <- get("simulated_counts")
counts("counts_crossed", cbind(alive, total - alive) ~ site + (1 | hybrid) + (1 | hybrid:site) + (1 | block), trial)

# -- ordered scores
scores <- function(model, fit, second = NULL, call = flat(fit$call), se = NULL) {
  if (!is.null(second)) {
    message(sprintf("%-28s %.8f  optimisers differ by %.1e, largest slope %.1e", model, minus2(fit), minus2(fit) - minus2(second), max(abs(fit$gradient))))
    stopifnot(abs(minus2(fit) - minus2(second)) < 1e-5)
  }
  say(model, "criterion", minus2(fit), call)
  for (n in names(fit$alpha)) say(model, n, fit$alpha[[n]], call)
  from <- if (is.null(se)) call else paste(call, "second derivatives written out")
  if (is.null(se)) se <- sqrt(diag(vcov(fit))[names(fit$beta)])
  for (i in seq_along(fit$beta)) { say(model, paste0("b", i), fit$beta[[i]], call); say(model, paste0("se", i), se[[i]], from) }
  if (inherits(fit, "clmm")) for (g in names(fit$ST)) say(model, paste("variance", g), as.numeric(VarCorr(fit)[[g]]), call)
}
wine <- get("randall_1989_wine"); for (n in c("rating", "bottle", "judge")) wine[[n]] <- factor(wine[[n]])
scores("wine", clm(rating ~ temp + contact, data = wine, control = clm.control(gradTol = 1e-10)))
strict <- clmm.control(method = "nlminb", innerCtrl = "noWarn", gradTol = 1e-8, rel.tol = 1e-14, x.tol = 1e-12, eval.max = 2000, iter.max = 2000)
other <- clmm.control(method = "ucminf", innerCtrl = "noWarn", gradTol = 1e-8, grtol = 1e-6)
# clmm's standard errors with nAGQ = 1 move in their third digit with its tolerances: those of a single group are taken from the
# second derivatives of Laplace's approximation written out here, which must have clmm's value at clmm's estimates
laplace <- function(fit, data) {
  y <- as.integer(data[[all.vars(formula(fit))[1]]]); x <- model.matrix(delete.response(terms(nobars(formula(fit)))), data)[, -1]; group <- split(seq_along(y), data[[names(fit$ST)]])
  one <- function(i, cut, eta, s) {
    f <- function(u) list(a = plogis(cut[y[i] + 1] - eta[i] - s * u), b = plogis(cut[y[i]] - eta[i] - s * u))
    curve <- function(p) 1 + s^2 * sum(p$a * (1 - p$a) + p$b * (1 - p$b))
    u <- 0
    for (k in 1:50) { p <- f(u); step <- (u - s * sum(p$a + p$b - 1)) / curve(p); u <- u - step; if (abs(step) < 1e-13) break }
    p <- f(u)
    u^2 - 2 * sum(log(p$a - p$b)) + log(curve(p))
  }
  k <- length(fit$alpha); b <- k + seq_along(fit$beta); n <- max(b) + 1
  whole <- function(t) { eta <- drop(x %*% t[b]); sum(sapply(group, one, c(-Inf, t[1:k], Inf), eta, t[n])) }
  at <- unname(c(fit$alpha, fit$beta, sqrt(as.numeric(VarCorr(fit)[[1]]))))
  stopifnot(abs(whole(at) - minus2(fit)) < 1e-6)
  sqrt(diag(solve(hessian(whole, at) / 2)))[b]
}
mixed <- function(model, formula, data, nodes) {
  call <- sprintf("clmm(%s, nAGQ = %d)", flat(formula), nodes)
  fit <- eval(bquote(clmm(.(formula), data = data, nAGQ = .(nodes), control = strict)))
  second <- eval(bquote(clmm(.(formula), data = data, nAGQ = .(nodes), control = other)))
  scores(model, fit, second, call, if (nodes == 1 && length(fit$ST) == 1) laplace(fit, data))
}
for (nodes in c(1, 10, 25)) mixed(paste0("wine_judge_", nodes), rating ~ temp + contact + (1 | judge), wine, nodes)
mixed("wine_judge_bottle", rating ~ temp + (1 | judge) + (1 | bottle), wine, 1)
soup <- get("christensen_2012_soup"); for (n in names(soup)) soup[[n]] <- factor(soup[[n]])
for (nodes in c(1, 10)) mixed(paste0("soup_", nodes), sureness ~ product + (1 | respondent), soup, nodes)
homes <- get("madsen_1976_housing"); homes$satisfaction <- factor(homes$satisfaction)
homes$influence <- factor(homes$influence, c("Low", "Medium", "High")); homes$contact <- factor(homes$contact, c("Low", "High"))
homes$type <- factor(homes$type, c("Tower", "Apartment", "Atrium", "Terrace"))
polr_fit <- polr(satisfaction ~ influence + type + contact, homes, weights = frequency)
fit <- clm(satisfaction ~ influence + type + contact, data = homes, weights = frequency, control = clm.control(gradTol = 1e-10))
stopifnot(abs(minus2(polr_fit) - minus2(fit)) < 1e-6)
scores("housing", fit)
