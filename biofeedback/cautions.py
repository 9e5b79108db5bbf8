"""The cautions: shown before the first hold, on the page, in the README and in every report. Imports nothing."""

CAUTIONS: tuple[str, ...] = (
    "This is a training aid, not a medical device: it diagnoses nothing and treats nothing. Local rules and the advice "
    "of a licensed professional come first.",
    "Stop at once on a sharp, tearing, electric or spreading sensation, numbness, tingling, pain inside a joint, "
    "dizziness, or a cramp that does not ease.",
    "Do not train over a recent injury or operation, an unstable or replaced joint, a blood clot, or during pregnancy "
    "unless a licensed professional has agreed.",
    "Hard static effort raises blood pressure: keep breathing and never hold the breath. With uncontrolled blood "
    "pressure, a heart condition or an eye condition, only when a clinician agrees.",
    "Less discomfort is no licence to go further. Pain is also a warning.",
    "Electrodes: only battery-powered or isolated hardware, and never while the computer is charging from the mains. "
    "Not with a pacemaker or any other implant, and not on broken skin.",
    "Straps and anchors must hold several times the athlete's maximum, and the athlete must be able to let go at any "
    "moment.",
    "Stop ends any phase at once and is recorded. So does a discomfort rating at or above the limit agreed beforehand.",
)
