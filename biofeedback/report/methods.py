"""How each number of a report was made, and where the rules come from."""

from __future__ import annotations

from biofeedback.account.words import SCALE

METHODS: tuple[tuple[str, str], ...] = (
    ("Effort", "100 × (level − baseline) / maximum. Force: low-passed; the baseline is the tension of the position, "
     "learnt while relaxed and carried through the contraction. Raw muscle signal: root mean square over 250 ms with "
     "the resting noise taken out in quadrature. Never cut off at 100 %."),
    ("Maximum", "the best attempt's highest 0.5 s mean above its baseline; accepted when the two best attempts agree "
     "within 5 % (common practice). At the end of the range it repeats from day to day only to about 22 % (CV 8 %, "
     "abstract read); pain lowers it by 9 % (SD 14, abstract read), so a maximum that discomfort limited says so with "
     "every percentage."),
    ("Before a maximum", "who is still growing is not tested: of 203 avulsion fractures in growing athletes 109 were "
     "at the sit bone and 55 came from gymnastics (Rossi & Dragoni 2001, abstract read). Pushes are counted aloud: "
     "trained breathing lowered 163/120 to 148/112 mmHg in a static effort (Phys Ther 1989, abstract read). The ramp "
     "of 3 s follows Kay et al. (5 s, ramped, peak after 3 s; abstract read); rests, practice at 25, 50 and 75 % and "
     "the 2 % that ask for one more attempt are common practice without a source."),
    ("Rating scale", f"{SCALE.ends}: of 100 people 66 preferred “bearable” and 17 “imaginable” (Yokobe 2014, abstract "
     "read). The stretch is rated and not the effort: asked for effort, the same scale follows force (Lampropoulou "
     "2012, abstract read). Starting at 4 to 6 and stopping at 8 is common practice."),
    ("Baseline while contracting", "an assumption, said once: contracting lowers the stiffness of the tendon by a "
     "fifth (18 to 22 %, Kay 2015, abstract read), so the tension of the position under a contraction is not "
     "measured."),
    ("Counted time", "a phase without its first seconds (grace for ramping up, 2 s unless the plan says otherwise) and "
     "without missing data. Nothing is filled in."),
    ("Mean, SD, CV", "over the counted time; CV = 100 × SD / mean. Steadiness CV: the same after a straight line has "
     "been taken out (Taylor, Christou & Enoka, J Neurophysiol 2003)."),
    ("Time in band", "counted seconds between the band's edges, both included. Longest stay and excursions ignore "
     "crossings of less than 1 point or shorter than 0.2 s (common practice)."),
    ("RMS outside", "root mean square of the distance to the nearer edge of the band, 0 inside."),
    ("Change", "ratings are a drift (level, line in time, a bend drawn towards none), what contraction does, and "
     "scatter; the change is estimated from all ratings that are there, with Student's t for few ratings. The "
     "interval allows for rounding to the scale's steps, and opens where ratings stand at its ends (Tobin 1958). "
     "The table of contractions shows each against its nearest relaxed ratings, for looking at."),
    ("NAP", "share of all relaxed-contracting pairs in which contracting was rated lower, ties half (Parker & Vannest, "
     "Behav Ther 2009). Tau: the same idea after the relaxed ratings' own trend is taken out (Tarlow, Behav Modif "
     "2017)."),
    ("How much effort", "the change over effort is a curve that bends only where ratings bend it (Gaussian process, "
     "Rasmussen & Williams 2006), expecting easing and worsening alike. A band is advised only when it was held, its "
     "own ratings eased by what would matter, and the curve there has a 90 % chance to; the lowest such band first."),
    ("Hold and rest", "half of the endurance that the three-compartment model predicts for the joint (Frey-Law, "
     "Looft & Heitsman, J Biomech 2012), rest by the same model with the joint's own rest factor (15; hand 30, from "
     "memory; Looft 2018, 2020, abstracts read); "
     "the power law (Frey-Law & Avin, Ergonomics 2010) stands beside it as doubt. People differ by a third and more. "
     "There is no model for the hip: the knee's is used."),
    ("Position", "one limit, 2.5 cm to warn and 5 cm to fail at the end of the limb (common practice), for angles "
     "converted by the length of the limb. Recordings that name no length were judged by 5 and 10 degrees."),
    ("Yardstick", "2 points or 30 % (Farrar et al., Pain 2001): chronic pain, so a yardstick and not a law."),
    ("Words", "“less” or “more” only when the whole 95 % interval lies on one side of zero and there are at least "
     "three rated contractions."),
)  # fmt: skip

FELT_METHODS: tuple[tuple[str, str], ...] = (
    ("Effort", "no sensor: what the athlete said after each contraction, 0 nothing at all to 10 all I have. It is a "
     "feeling and no share of a maximum; asked for effort, such a scale follows force on average and differs between "
     "people (Lampropoulou 2012)."),
    *(row for row in METHODS if row[0] in ("Rating scale", "Change", "NAP", "Position", "Yardstick", "Words")),
)  # fmt: skip


def choose_methods(by_feel: bool) -> tuple[tuple[str, str], ...]:
    """Those of what a session can have."""
    return FELT_METHODS if by_feel else METHODS


# both ways, with dates; read as abstracts, none in full
LITERATURE: tuple[tuple[str, str], ...] = (
    ("How hard (2004)", "contract-relax at 20, 60 and 100 % gained the same range (Feland & Marin 2004, n = 72)."),
    ("It may ease (2007, 2008, 2012, 2014)", "static effort raised pain thresholds, also away from the working muscle "
     "(Koltyn & Umeda 2007, Hoeger Bement 2008; Naugle 2012, uncontrolled comparisons included); how much contraction "
     "is needed differed (Misra 2014)."),
    ("It may not, or may hurt more (2018, 2021, 2023)", "harder contraction left more pain after a stretch (Lim 2018); "
     "randomised trials of static effort showed no easing (Wewege & Jones 2021); tonic pain fell while pain evoked by "
     "movement rose during contraction (Cabral 2023)."),
    ("Nobody has measured this", "discomfort during a contraction at the end of the range. That is why this session "
     "compares a person with themselves, and why contracting elsewhere (a hand squeeze) is the fair comparison."),
)  # fmt: skip
