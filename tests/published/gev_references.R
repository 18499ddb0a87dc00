# Generalised extreme value fits of yearly maxima, as references for tests/test_return_levels.py: the density and
# distribution function of package evd, maximised with optim, profiled with uniroot.
#   Rscript tests/published/gev_references.R     prints one line per number: model, quantity, value.
suppressMessages(library(evd))
x <- as.numeric(portpirie)
say <- function(model, ...) { v <- c(...); for (q in names(v)) cat(sprintf("%s,%s,%.9g\n", model, q, v[[q]])) }
cat("# Fits of evd::portpirie, printed by gev_references.R (definitions there).\n# ", R.version.string, ", evd ",
    as.character(packageVersion("evd")), "\nmodel,quantity,value\n", sep = "")

cost <- function(p, x, below = 0, limit = NA, prior = NULL) {  # -2 log likelihood plus penalty
  s <- exp(p[2])
  value <- -2 * sum(dgev(x, p[1], s, p[3], log = TRUE))
  if (below > 0) value <- value - 2 * below * log(pgev(limit, p[1], s, p[3]))
  if (!is.null(prior)) value <- value + ((p[3] - prior[1]) / prior[2])^2
  if (is.finite(value)) value else 1e10
}
least <- function(start, f, ...) {
  for (i in 1:5) { o <- optim(start, f, ..., control = list(reltol = 1e-14, maxit = 20000)); start <- o$par }
  o
}
fit <- function(...) {
  o <- least(c(3.9, log(0.2), -0.05), cost, ...)
  c(location = o$par[1], scale = exp(o$par[2]), shape = o$par[3], criterion = o$value)
}
held <- function(z, chance, ...) least(c(log(0.2), -0.05), function(q)
  cost(c(z - exp(q[1]) * qgev(1 - chance, 0, 1, q[2]), q), ...))$value
level <- function(chance, critical, ...) {
  b <- fit(...)
  z <- b[["location"]] + b[["scale"]] * qgev(1 - chance, 0, 1, b[["shape"]])
  rise <- function(v) held(v, chance, ...) - b[["criterion"]] - critical
  c(estimate = z, lower = uniroot(rise, c(z - 0.5, z), tol = 1e-8)$root, upper = uniroot(rise, c(z, z + 2), tol = 1e-8)$root)
}
above <- function(z, critical, ...) {
  b <- fit(...)
  l <- qlogis(1 - pgev(z, b[["location"]], b[["scale"]], b[["shape"]]))
  rise <- function(v) held(z, plogis(v), ...) - b[["criterion"]] - critical
  plogis(c(estimate = l, lower = uniroot(rise, c(l - 4, l), tol = 1e-8)$root, upper = uniroot(rise, c(l, l + 4), tol = 1e-8)$root))
}
prior <- c(-0.15, 0.15)
say("plain", fit(x = x))
say("penalised", fit(x = x, prior = prior))
say("censored", fit(x = x[x >= 3.8], below = sum(x < 3.8), limit = 3.8))
say("censored penalised", fit(x = x[x >= 3.8], below = sum(x < 3.8), limit = 3.8, prior = prior))
say("level 10", level(0.1, qchisq(0.95, 1), x = x))
say("level 100", level(0.01, qchisq(0.95, 1), x = x))
say("level 10 of 20 years", level(0.1, qchisq(0.95, 1), x = x[1:20], prior = prior))
say("chance above 4.3", above(4.3, qchisq(0.95, 1), x = x))
