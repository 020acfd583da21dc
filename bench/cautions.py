"""The cautions that every report and picture carries."""

CAUTIONS = (
    "An engineering aid, not a safety device. It does not replace a wheelie bar, the class rules,"
    " the track's officials, licensed practice or a competent person at the car; these come first. What a"
    " recording shows is not what the next run will do. Try every calibration with the car on stands before"
    " the strip."
)

SHORT = "An engineering aid, not a safety device. Wheelie bar, class rules and officials come first."

MODEL = (
    "A model's guess from these inputs, not a forecast: no car is quite what its file says. Start mild, with"
    " bars where the class allows, on a prepared track, under the rules and the people responsible there."
)

OPEN_LOOP = (
    "The lift is the recorded one, whatever a setting takes: this shows what each would have taken on these"
    " recordings, not how high the nose would have gone."
)
