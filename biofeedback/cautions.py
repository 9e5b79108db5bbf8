"""The cautions: shown before the first hold, on the page, in the README and in every report. Imports nothing.

And who does not test a maximum at the end of the range, with what they do instead.
"""

CAUTIONS: tuple[str, ...] = (
    "This is a training aid, not a medical device: it diagnoses nothing and treats nothing. Local rules and the advice "
    "of a licensed professional come first.",
    "Stop at once on a sharp, tearing, electric or spreading sensation, numbness, tingling, pain inside a joint, "
    "dizziness, or a cramp that does not ease.",
    "Do not train over a recent injury or operation, an unstable or replaced joint, a blood clot, or during pregnancy "
    "unless a licensed professional has agreed.",
    "Growing athletes and very mobile or hypermobile joints: no hard contraction at the end of the range. Until growth "
    "ends the muscle is stronger than the place where it is fixed to the bone. A parent and a licensed professional "
    "agree beforehand.",
    "Hard static effort raises blood pressure: count aloud through the push and never hold the breath, also in a hand "
    "squeeze for comparison. With uncontrolled blood pressure, a heart condition or an eye condition, only when a "
    "clinician agrees.",
    "Less discomfort is no licence to go further. Pain is also a warning.",
    "Electrodes: only battery-powered or isolated hardware, and never while the computer is charging from the mains. "
    "Not with a pacemaker or any other implant, and not on broken skin.",
    "Straps and anchors must hold several times the athlete's maximum, and the athlete must be able to let go at any "
    "moment.",
    "Stop ends any phase at once and is recorded. So does a discomfort rating at or above the limit agreed beforehand.",
)

# no maximal contraction in the stretch: growing athletes had 203 apophyseal avulsions, 109 of them at the sit bone and
# 55 in gymnastics (Rossi & Dragoni 2001, abstract read); the others: common practice, no source
NO_MAXIMUM: tuple[str, ...] = (
    "Still growing (under 18, or until a professional has said that growth has ended)",
    "An earlier strain, or trouble with the tendon, of the muscle that is stretched",
    "Hypermobility, or a disease of the connective tissue",
    "Nerve symptoms: numbness, tingling, pain that runs down arm or leg",
    "Osteoporosis, a hernia, blood thinners, or an aneurysm",
    "Pain relief taken today",
)
SORE_CAUTION = (
    "Nothing harder and nothing further today: at most 30 %, or by felt effort. New pain that stays or comes back is "
    "for a licensed professional to look at."
)
HURT_CAUTION = (
    "End here: nothing more today. Numbness, tingling, new pain or a limp that stays or comes back is for a licensed "
    "professional to look at."
)
NO_MAXIMUM_QUESTION = "Does one or more of these hold for you?"
INSTEAD_OF_MAXIMUM = (
    "No maximum is tested. The session goes by felt effort: contractions at 1 to 3 of 10, no harder, and no percentage."
)
