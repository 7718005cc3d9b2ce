"""The methods behind every audit, with where they come from."""

from __future__ import annotations

METHODS: list[dict[str, str]] = [
    {"name": "Paired t test and t interval over client means", "citation": "Student (1908) Biometrika 6:1–25"},
    {
        "name": "Mixed model, restricted maximum likelihood",
        "citation": "Patterson & Thompson (1971) Biometrika 58:545–554",
    },
    {"name": "Kenward–Roger degrees of freedom", "citation": "Kenward & Roger (1997) Biometrics 53:983–997"},
    {
        "name": "Re-randomisation test and interval by inversion",
        "citation": "Edgington & Onghena (2007) Randomization Tests (from memory)",
    },
    {"name": "Correction for several questions", "citation": "Holm (1979) Scandinavian Journal of Statistics 6:65–70"},
    {"name": "Interval at several looks", "citation": "Lan & DeMets (1983) Biometrika 70:659–663"},
    {
        "name": "Standard error of measurement, smallest detectable change",
        "citation": "Weir (2005) Journal of Strength and Conditioning Research 19:231–240",
    },
    {"name": "Intraclass correlation", "citation": "McGraw & Wong (1996) Psychological Methods 1:30–46"},
    {
        "name": "Interval of a share",
        "citation": "Wilson (1927) Journal of the American Statistical Association 22:209–212",
    },
    {"name": "Effect sizes of paired changes", "citation": "Lakens (2013) Frontiers in Psychology 4:863"},
    {
        "name": "Expected regression to the mean",
        "citation": "Barnett, van der Pols & Dobson (2005) International Journal of Epidemiology 34:215–220",
    },
    {
        "name": "Readings not written down, filled in against the technique",
        "citation": "the toolkit's own rule (quartile and median of the comparison's changes), checked by simulation",
    },
]
