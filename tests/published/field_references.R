# Prints tests/published/field_references.csv: the field of wheat of Stroup & Baenziger (1994) by R's own mixed models, and Moran's I.
# Run in this folder: Rscript field_references.R > field_references.csv (R 4.2.2, lme4 1.1-31, nlme 3.1-162, ape 5.7; ten seconds).
suppressMessages({library(lme4); library(nlme); library(splines); library(ape)})
say <- function(model, quantity, value) cat(sprintf("%s,%s,%.10g\n", model, quantity, value))
get <- function(name) read.csv(paste0(name, ".csv"), comment.char = "#")
cat(paste("# Printed by field_references.R: lme4", packageVersion("lme4"), "nlme", packageVersion("nlme"), "ape", packageVersion("ape"),
          "R", getRversion(), "\nmodel,quantity,value\n"))

wheat <- get("stroup_1994_wheat2")
wheat$block <- factor(wheat$block); wheat$variety <- factor(wheat$variety); wheat$one <- factor(1)
difference <- function(v) { v <- as.matrix(v)[1:56, 1:56]; mean(outer(diag(v), diag(v), "+")[upper.tri(v)] - 2 * v[upper.tri(v)]) }
report <- function(name, fit) {
  say(name, "criterion", -2 * as.numeric(logLik(fit)))
  say(name, "difference", difference(vcov(fit)))
}
report("blocks", lmer(yield ~ 0 + variety + (1 | block), wheat))
report("rows and columns", lmer(yield ~ 0 + variety + (1 | block) + (1 | row) + (1 | column), wheat))
report("rational quadratic", gls(yield ~ 0 + variety, wheat,
       correlation = corRatio(c(13, 0.2), form = ~ latitude + longitude, nugget = TRUE)))

parts <- function(x) {  # line from -1 to 1 and wiggles of a cubic P-spline, second differences penalised
  low <- min(x); high <- max(x); segments <- min(length(unique(x)) - 1, 10); step <- (high - low) / segments
  b <- splineDesign(low + step * (-3:(segments + 3)), x, ord = 4, outer.ok = TRUE)
  own <- eigen(crossprod(diff(diag(ncol(b)), differences = 2)))
  kept <- own$values > 1e-8 * own$values[1]
  list(line = 2 * (x - low) / (high - low) - 1, wiggles = scaled(b %*% own$vectors[, kept] %*% diag(1 / sqrt(own$values[kept]))))
}
scaled <- function(m) m / sqrt(mean(rowSums(m^2)))
compact <- function(m) {  # 99 % of the variance
  s <- svd(m); k <- which(cumsum(s$d^2) / sum(s$d^2) >= 0.99)[1]
  scaled(s$u[, 1:k] %*% diag(s$d[1:k], k))
}
r <- parts(wheat$row); k <- parts(wheat$column)
both <- t(sapply(seq_len(nrow(wheat)), function(i) outer(k$wiggles[i, ], r$wiggles[i, ])))
apart <- list(r$wiggles, k$wiggles, scaled(k$line * r$wiggles), scaled(r$line * k$wiggles), scaled(both))
fitted <- function(fixed, bases) {
  for (i in seq_along(bases)) wheat[[paste0("z", i)]] <<- bases[[i]]
  forms <- lapply(seq_along(bases), function(i) pdIdent(as.formula(paste0("~ z", i, " - 1"))))
  data <- groupedData(yield ~ 1 | one, wheat)
  lme(fixed, data, random = list(one = pdBlocked(c(forms, pdIdent(~ block - 1)))),
      control = lmeControl(opt = "nlminb", maxIter = 500, msMaxIter = 2000, msMaxEval = 5000, niterEM = 0, msTol = 1e-12, returnObject = TRUE))
}
wheat$line_r <- r$line; wheat$line_k <- k$line
report("surface with fixed lines", fitted(yield ~ 0 + variety + line_r + line_k + line_r:line_k, apart))
three <- list(compact(cbind(r$line, r$wiggles)), compact(cbind(k$line, k$wiggles)), compact(cbind(r$line * k$line, do.call(cbind, apart[3:5]))))
report("surface", fitted(yield ~ 0 + variety, three))

cells <- function(text) { n <- length(text); w <- matrix(0, n, n)
  for (i in seq_len(n)) w[i, as.integer(strsplit(text[i], " ")[[1]])] <- 1; w }
for (name in c("anselin_1995_afcon", "anselin_1988_columbus")) {
  own <- get(name); one <- Moran.I(own$value, cells(own$neighbours))
  say(name, "observed", one$observed); say(name, "sd", one$sd); say(name, "p", one$p.value)
}
yields <- get("mercer_1911_wheat")
grid <- as.matrix(dist(yields[c("row", "column")])); one <- Moran.I(yields$yield, (abs(grid - 1) < 1e-9) * 1)
say("mercer_1911_wheat", "observed", one$observed); say("mercer_1911_wheat", "sd", one$sd)
half <- function(along, within) for (lag in 1:3) {
  d <- split(yields, yields[[within]])
  h <- unlist(lapply(d, function(t) { t <- t[order(t[[along]]), ]; n <- nrow(t); (t$yield[(1 + lag):n] - t$yield[1:(n - lag)])^2 / 2 }))
  say("mercer_1911_wheat", paste("semivariance across", along, lag), mean(h))
  say("mercer_1911_wheat", paste("pairs across", along, lag), length(h))
}
half("row", "column"); half("column", "row")
