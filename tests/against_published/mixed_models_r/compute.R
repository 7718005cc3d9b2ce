# Reference values for linear mixed models. Run in this folder: Rscript compute.R  (writes values.csv and means.csv)
suppressMessages({library(lme4); library(lmerTest); library(pbkrtest); library(emmeans)})
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, maxfun = 1e6), check.conv.singular = "ignore",
                     calc.derivs = TRUE, check.conv.grad = "ignore", check.conv.hess = "ignore")
out <- list(); means <- list()
add <- function(model, what, term, value) out[[length(out) + 1]] <<- data.frame(model, what, term, value)
one <- function(model, file, formula, reml = TRUE, weighted = FALSE) {
  rows <- read.csv(file, stringsAsFactors = TRUE)
  rows$w <- if (weighted) rows$weight else 1
  fit <- lmerTest::lmer(formula, rows, REML = reml, control = tight, weights = w)
  s <- coef(summary(fit, ddf = "Satterthwaite"))
  for (t in rownames(s)) { add(model, "estimate", t, s[t, 1]); add(model, "se", t, s[t, 2]); add(model, "satterthwaite_df", t, s[t, 3]) }
  if (reml && !weighted) {
    k <- coef(summary(fit, ddf = "Kenward-Roger"))
    for (t in rownames(k)) { add(model, "kr_se", t, k[t, 2]); add(model, "kr_df", t, k[t, 3]) }
  }
  vc <- as.data.frame(VarCorr(fit))
  for (i in seq_len(nrow(vc))) add(model, "variance", paste(vc$grp[i], vc$var1[i], vc$var2[i], sep = "/"), vc$vcov[i])
  if (model %in% c("few_reml", "crossed_weighted", "slope_correlated", "zero_ml")) {
    h <- hatvalues(fit); r <- residuals(fit)
    for (i in seq_along(h)) { add(model, "leverage", as.character(i), h[[i]]); add(model, "residual", as.character(i), r[[i]]) }
    for (g in names(ranef(fit))) for (e in names(ranef(fit)[[g]])) for (l in rownames(ranef(fit)[[g]]))
      add(model, "random_effect", paste(g, e, l, sep = "/"), ranef(fit)[[g]][l, e])
  }
  add(model, "aic", "", AIC(fit))
  add(model, "log_likelihood", "", as.numeric(logLik(fit)))
  for (method in if (reml && !weighted) c("Kenward-Roger", "Satterthwaite") else "Satterthwaite") {
    a <- anova(fit, ddf = method)
    for (t in rownames(a)) for (v in c("F value", "NumDF", "DenDF", "Pr(>F)")) add(model, paste0("anova_", method, "_", v), t, a[t, v])
  }
  if (reml && !weighted && "region" %in% all.vars(formula)) for (w in c("equal", "proportional")) {
    e <- as.data.frame(emmeans(fit, ~ region, weights = w, lmer.df = "kenward-roger"))
    means[[length(means) + 1]] <<- data.frame(model, weights = w, region = e$region, intervention = "", mean = e$emmean, se = e$SE, df = e$df, low = e$lower.CL, high = e$upper.CL)
  }
  if (model == "crossed_reml") {
    e <- as.data.frame(emmeans(fit, ~ region * intervention, lmer.df = "kenward-roger"))
    means[[length(means) + 1]] <<- data.frame(model, weights = "equal", region = e$region, intervention = e$intervention, mean = e$emmean, se = e$SE, df = e$df, low = e$lower.CL, high = e$upper.CL)
    set.seed(1)
    d <- as.data.frame(confint(contrast(emmeans(fit, ~ intervention), "trt.vs.ctrl", ref = 1, adjust = "mvt")))
    for (i in seq_len(nrow(d))) { add(model, "mvt_low", d$contrast[i], d$lower.CL[i]); add(model, "mvt_high", d$contrast[i], d$upper.CL[i]) }
    pw <- as.data.frame(confint(pairs(emmeans(fit, ~ intervention), adjust = "tukey")))
    for (i in seq_len(nrow(pw))) { add(model, "tukey_low", pw$contrast[i], pw$lower.CL[i]); add(model, "tukey_high", pw$contrast[i], pw$upper.CL[i]) }
  }
  if (model %in% c("few_reml", "slope_correlated", "zero_ml")) {
    ci <- suppressWarnings(confint(fit, method = "profile", parm = "theta_", oldNames = FALSE, quiet = TRUE))
    for (t in rownames(ci)) { add(model, "profile_low", t, ci[t, 1]); add(model, "profile_high", t, ci[t, 2]) }
  }
}
crossed <- change ~ region * intervention + baseline + (1 | client) + (1 | practitioner)
additive <- change ~ region + intervention + baseline + (1 | client) + (1 | practitioner)
one("crossed_reml", "crossed.csv", crossed)
one("crossed_ml", "crossed.csv", crossed, reml = FALSE)
one("crossed_weighted", "crossed.csv", additive, weighted = TRUE)
one("few_reml", "few.csv", additive)
one("zero_reml", "zero.csv", additive)
one("zero_ml", "zero.csv", additive, reml = FALSE)
one("slope_correlated", "slope.csv", change ~ treated + baseline + (1 + treated | client) + (1 | practitioner))
one("slope_independent", "slope.csv", change ~ treated + baseline + (1 | client) + (0 + treated | client) + (1 | practitioner))
one("slope_ml", "slope.csv", change ~ treated + baseline + (1 + treated | client) + (1 | practitioner), reml = FALSE)
one("larger_reml", "larger.csv", crossed)
one("larger_slope", "larger.csv", change ~ treated + region + baseline + (1 + treated | client) + (1 | practitioner))
one("larger_slope_baseline", "larger.csv", change ~ treated + baseline + (1 + baseline | client))
write.csv(do.call(rbind, out), "values.csv", row.names = FALSE)
write.csv(do.call(rbind, means), "means.csv", row.names = FALSE)
v <- function(p) as.character(packageVersion(p))
writeLines(paste0(R.version.string, "; lme4 ", v("lme4"), ", lmerTest ", v("lmerTest"), ", pbkrtest ", v("pbkrtest"), ", emmeans ", v("emmeans")), "versions.txt")
