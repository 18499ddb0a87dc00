# Writes consistency_references.csv. Run in this folder with R; base packages only.
# Regression on the environment: lm() of each variety on the place effects of an additive lm(), own variety in it or not.
# Superiority: half the mean squared distance from the best of each place, missing cells from the additive lm().
# Stability variances: unbiased quadratic estimates from the residuals of the additive lm().
d <- read.csv("immer_1934_barley.csv", comment.char = "#")
d$y <- d$yield_1931 + d$yield_1932
gaps <- (d$variety == "V1" & d$place == "P2") | (d$variety == "V4" & d$place == "P5")
rows <- list()
add <- function(table, quantity, names, values)
  rows[[length(rows) + 1]] <<- data.frame(table, quantity, variety = names, value = sprintf("%.8f", values))
varieties <- sort(unique(d$variety))
for (table in c("balanced", "unbalanced")) {
  s <- if (table == "balanced") d else d[!gaps, ]
  for (own in c("included", "excluded")) for (v in varieties) {
    other <- if (own == "included") s else s[s$variety != v, ]
    e <- coef(lm(y ~ 0 + place + variety, other, contrasts = list(variety = "contr.sum")))
    e <- e[grep("^place", names(e))]; names(e) <- sub("place", "", names(e))
    o <- s[s$variety == v, ]; o$x <- e[o$place] - mean(e)
    f <- lm(y ~ x, o)
    parts <- c("mean", "slope", "slope_lower", "slope_upper", "deviation_variance", "r_squared")
    values <- c(coef(f), confint(f)["x", ], summary(f)$sigma^2, summary(f)$r.squared)
    for (i in seq_along(parts)) add(table, paste(parts[i], own), v, values[i])
  }
  f <- lm(y ~ variety + place, s)
  full <- d; full$y[gaps] <- if (table == "balanced") d$y[gaps] else predict(f, d)[gaps]
  w <- tapply(full$y, list(full$variety, full$place), sum)
  add(table, "superiority", rownames(w), rowSums(sweep(w, 2, apply(w, 2, max))^2) / (2 * ncol(w)))
  x <- model.matrix(f); m <- diag(nrow(x)) - x %*% solve(crossprod(x)) %*% t(x)
  a <- sapply(varieties, function(k) sapply(varieties, function(i) sum(m[s$variety == i, s$variety == k]^2)))
  add(table, "stability_variance", varieties, solve(a, tapply(resid(f)^2, s$variety, sum)[varieties]))
}
ties <- rbind(c(1, 2, 2, 4, 5), c(1, 1, 3, 4, 5), c(2, 1, 3, 5, 4))
add("ties", "W", "", friedman.test(ties)$statistic / (3 * 4))
out <- do.call(rbind, rows)
head <- c("# Numbers printed by consistency_references.R from immer_1934_barley.csv (both years added), and Kendall's W of three rankings with ties.",
          paste("#", R.version.string))
writeLines(head, "consistency_references.csv")
suppressWarnings(write.table(out, "consistency_references.csv", sep = ",", row.names = FALSE, quote = FALSE, append = TRUE))
