"""How each number of a report was made, and where the rules come from."""

from __future__ import annotations

METHODS: tuple[tuple[str, str], ...] = (
    ("Effort", "100 × (level − baseline) / maximum. Force: low-passed; the baseline is the tension of the position, "
     "learnt while relaxed and carried through the contraction. Raw muscle signal: root mean square over 250 ms with "
     "the resting noise taken out in quadrature. Never cut off at 100 %."),
    ("Maximum", "the best attempt's highest 0.5 s mean above its baseline; accepted when the two best attempts agree "
     "within 5 % (common practice)."),
    ("Counted time", "a phase without its first seconds (grace for ramping up, 2 s unless the plan says otherwise) and "
     "without missing data. Nothing is filled in."),
    ("Mean, SD, CV", "over the counted time; CV = 100 × SD / mean. Steadiness CV: the same after a straight line has "
     "been taken out (Taylor, Christou & Enoka, J Neurophysiol 2003)."),
    ("Time in band", "counted seconds between the band's edges, both included. Longest stay and excursions ignore "
     "crossings of less than 1 point or shorter than 0.2 s (common practice)."),
    ("RMS outside", "root mean square of the distance to the nearer edge of the band, 0 inside."),
    ("Change", "each contraction's rating minus the mean of the relaxed ratings on both sides of it, so that a steady "
     "drift (the stretch letting go, getting used to it) cancels exactly. Interval: Student's t, allowing for "
     "neighbours that share a rating."),
    ("NAP", "share of all relaxed-contracting pairs in which contracting was rated lower, ties half (Parker & Vannest, "
     "Behav Ther 2009). Tau: the same idea after the relaxed ratings' own trend is taken out (Tarlow, Behav Modif "
     "2017)."),
    ("How much effort", "four shapes (no effect, straight line, saturating, turning) are weighed against each other by "
     "how well they predict the changes, each with a prior that expects easing and worsening alike; the chances are "
     "sums over all of them."),
    ("Hold and rest", "half of the predicted endurance (Frey-Law & Avin, Ergonomics 2010), people differ by a third or "
     "more; rest by the three-compartment model (Frey-Law, Looft & Heitsman, J Biomech 2012)."),
    ("Yardstick", "2 points or 30 % (Farrar et al., Pain 2001): chronic pain, so a yardstick and not a law."),
    ("Words", "“less” or “more” only when the whole 95 % interval lies on one side of zero and there are at least "
     "three complete cycles."),
)  # fmt: skip
