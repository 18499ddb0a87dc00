# Genetic covariances of barley varieties among sites, as references for tests/test_site_correlation.py.
#   OPENBLAS_NUM_THREADS=1 Rscript tests/published/barley_sites.R > tests/published/barley_sites_references.csv
# Means over two years of each variety and site; their error variance, half the mean square of variety x year at the site, is
# taken as known. Restricted likelihood written out with the full covariance matrix, its least -2 log by optim from several starts.
library(lattice)
b <- barley; b$variety <- factor(as.character(b$variety))
b$site <- factor(as.character(b$site)); levels(b$site) <- paste0("P", 1:6)  # in alphabetical order
m <- aggregate(yield ~ variety + site, b, mean)
ms <- sapply(split(b, b$site), function(d) { d$year <- factor(d$year); anova(lm(yield ~ variety + year, d))["Residuals", "Mean Sq"] })
m$known <- ms[as.character(m$site)] / 2
cat("# lattice::barley, means over two years, printed by barley_sites.R (how: see there). ", R.version.string, ", lattice ", format(packageVersion("lattice")), "\n", sep = "")
cat("model,quantity,value\n")
line <- function(model, quantity, value) cat(model, ",", quantity, ",", format(value, digits = 12), "\n", sep = "")
x <- model.matrix(~ 0 + site, m); j <- as.integer(m$site); same <- outer(as.character(m$variety), as.character(m$variety), "==")
height <- function(g) {
  v <- same * g[j, j] + diag(m$known)
  w <- solve(v); xwx <- t(x) %*% w %*% x; r <- m$yield - x %*% solve(xwx, t(x) %*% w %*% m$yield)
  as.numeric(determinant(v)$modulus + determinant(xwx)$modulus + t(r) %*% w %*% r + (nrow(m) - ncol(x)) * log(2 * pi))
}
dense <- function(model, covariance, starts) {
  best <- NULL
  for (s in starts) {
    f <- list(par = s); for (i in 1:4) f <- optim(f$par, function(t) height(covariance(t)), method = "BFGS", control = list(maxit = 5000, reltol = 1e-15))
    message(sprintf("%s %.9f", model, f$value)); if (is.null(best) || f$value < best$value) best <- f
  }
  g <- covariance(best$par)
  line(model, "criterion", best$value)
  for (a in 1:6) for (c in 1:a) line(model, paste("covariance", levels(m$site)[a], levels(m$site)[c]), g[a, c])
}
dense("compound symmetry", function(t) matrix(t[1]^2, 6, 6) + diag(t[2]^2, 6), list(c(3, 3), c(1, 5)))
dense("heterogeneous", function(t) matrix(t[1]^2, 6, 6) + diag(t[2:7]^2), list(rep(3, 7), c(5, 1, 4, 1, 4, 1, 4), c(2, 6, 2, 1, 5, 1, 5)))
dense("factor-analytic 1", function(t) tcrossprod(t[1:6]) + diag(t[7:12]^2), list(rep(3, 12), c(4, 1, 4, 1, 4, 1, rep(2, 6)),
      c(1, 4, 1, 4, 1, 4, rep(2, 6)), c(6, 2, 2, 2, 2, 6, rep(4, 6)), c(2, 6, 2, 6, -2, 2, rep(3, 6))))
