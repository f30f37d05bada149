"""Flags of comparisons: what the numbers beside them can't carry."""

from engine.flags import Flag

FLAGS: tuple[Flag, ...] = (
    Flag(
        "no_interval",
        "There are too few values for an interval at the level asked for (six at 95 %).",
    ),
    Flag("few_sites", "A region holds so few sites that a difference can hardly be told."),
    Flag("no_sites", "A region holds no site with this quantity."),
    Flag(
        "approximate_p",
        "With so few sites a side the p value of the rank test is rough; read the interval first.",
    ),
    Flag(
        "fully_separated",
        "Every value of one side exceeds every value of the other: the test statistic is infinite "
        "and the p value is that of the exact permutation test.",
    ),
    Flag("all_equal", "All values are the same: there is nothing to tell apart."),
    Flag(
        "one_donor",
        "All sites come from one donor: the result describes that tissue and can't be carried "
        "over to other individuals.",
    ),
    Flag(
        "donors_apart",
        "The two regions share no donor: a difference between them may be one between donors.",
    ),
    Flag(
        "donors_mixed",
        "Sites of several donors are taken as independent; sites of one donor resemble each other, "
        "so the interval is too narrow.",
    ),
    Flag("shared_sites", "Some sites lie in both regions and are counted on both sides."),
    Flag(
        "few_points",
        "There are so few points that slope and band depend on each single one.",
    ),
    Flag("constant_x", "All x are the same: there is no slope."),
    Flag(
        "too_many_pairs",
        "There are more points than the pairwise slopes are formed for; only least squares is "
        "given.",
    ),
)
