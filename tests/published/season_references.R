# Writes season_references.csv. Run in this folder with R and lme4: restricted maximum likelihood.
# Yields of immer_1934_barley.csv, a row per variety, place and year; variety, variety x place and variety x year random, every
# place-year fixed. Repeatability: what stays of a variety at a place over that and what changes with the year.
suppressMessages(library(lme4))
d <- read.csv("immer_1934_barley.csv", comment.char = "#")
d <- rbind(data.frame(d[1:2], year = "1931", y = d$yield_1931), data.frame(d[1:2], year = "1932", y = d$yield_1932))
gaps <- d$variety == "V1" & d$place == "P2" & d$year == "1931" | d$variety == "V4" & d$place %in% c("P5", "P6") & d$year == "1932"
rows <- list()
for (table in c("balanced", "unbalanced")) {
  s <- if (table == "balanced") d else d[!gaps, ]
  f <- lmer(y ~ 0 + place:year + (1 | variety) + (1 | variety:place) + (1 | variety:year), s,
            control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
  v <- as.data.frame(VarCorr(f)); v <- setNames(v$vcov, v$grp)
  value <- c(hybrid = v[["variety"]], hybrid_site = v[["variety:place"]], hybrid_season = v[["variety:year"]],
             residual = v[["Residual"]], repeatability = (v[["variety"]] + v[["variety:place"]]) / sum(v))
  rows[[table]] <- data.frame(table, quantity = names(value), value = sprintf("%.6f", value))
}
head <- c("# Numbers printed by season_references.R from immer_1934_barley.csv.",
          paste0("# ", R.version.string, ", lme4 ", packageVersion("lme4")))
writeLines(head, "season_references.csv")
suppressWarnings(write.table(do.call(rbind, rows), "season_references.csv", sep = ",", row.names = FALSE, quote = FALSE, append = TRUE))
