"""Why a figure could not be had: every reason there is, in plain English, and the rule that every record keeps.

Records keep the English sentence, and files that were saved stay readable without this package. The report says it
in the reader's language: it knows a sentence again by its text here, takes the values out and looks for the same
name, in small letters, under [reason] in `report/wording/<language>.toml`. In {braces} stand numbers with their
unit in the name, `least` and what begins with it for limits, and `drum`, the key of a drum; writers fill them by
`.format(name=value)`. Below a table, sentences that differ in what was measured are put into one, limits apart.
Those that count put the number behind a colon, so that no language needs a singular.
"""

from __future__ import annotations

from collections.abc import Mapping


def check_reasons(record: object, nullable: tuple[str, ...], unmeasured: Mapping[str, str]) -> None:
    """Every None has a reason and every reason a None: never a guess, never a silent gap.

    Raises
    ------
    ValueError : a field without a value and without a reason, or with both
    """
    for name in nullable:
        missing = getattr(record, name) is None
        if missing != (name in unmeasured):
            raise ValueError(
                f"{type(record).__name__}.{name}: a value or a reason in `unmeasured`, not both or neither"
            )


# silence, length, format
SILENT = "silent: every sample is zero"
ONE_SILENT = "one of the two is silent"
SILENT_OR_SHORT = "digital silence, or the file is too short"
EMPTIED = "digital silence: a gate, or edited"
SHORTER_THAN = "shorter than {least_s:g} s"
SHORT_FOR_OFFSET = "shorter than {least_s:g} s: a few hits would pass for an offset"
SHORT_FOR_FLOOR = "too short to show a floor"
SHORT_FOR_TWO = "too short for two segments"
NEVER_QUIET = "nothing stays quiet and level for long enough; the floor lies at {at_most_dbfs:.0f} dBFS or below"
NEVER_LOUD = "never above {least_lufs:g} LUFS"
FLOATING = "a floating-point file has no fixed word length"

# drums and their strokes
NOT_HIT = "no hit of this drum was found"
OTHER_OWN_MIC = "the drum's hits are measured in its other mic"
NO_SINGLE_DRUM = "this mic belongs to no single drum"
DRUM_NOT_HIT = "{drum} was not hit, so there is nothing to compare with"
FEW_STROKES = "too few strokes"
FEW_HITS = "too few hits: {n}; at least {least} are needed"
FEW_FOR_SPREAD = "too few hits for a spread"
FEW_STAND_OUT = "too few strokes stand out in this mic: {n}"
FEW_SURE = "too few strokes are surely of the drum it stands at"
FEW_OWN = "fewer than {least} strokes of its own"
FEW_ON_STEP = "fewer than {least} strokes on a step"
FEW_ALIKE = "fewer than {least} strokes that stand apart and are like one another are heard in it and in another mic"
SHORT_SPAN = "the strokes span {span_s:.0f} s; {least_s:.0f} s are needed"

# arrival and polarity
# a judgement hangs on this one: what the mic hears before the drum's own mic does is as loud as what follows
ALREADY_SOUNDING = "there is sound already where the direct sound is looked for"
DIRECT_WEAK = "the direct sound does not stand out enough: {over_db:.0f} dB over what is heard before it"
ONLY_TOGETHER = "only all hits together show a first sound, smaller groups of them do not"
GROUPS_DISAGREE = "groups of hits disagree by ±{spread_ms:.1f} ms"
NO_DELAY = "no delay to speak of"
NO_LOWS = "a cymbal has no low band to judge by"
NOTHING_LOW = "the strokes hold nothing so low that stands out of what is there without them"
NOT_A_PAIR = "not a left and a right mic"

# bleed
NO_BLEED = "bleed could not be measured in this mic"
NO_OTHER_DRUM = "no other drum stands out in this mic"
OWN_DRUM_HIDDEN = "{drum} does not stand out in its own mic, so there is nothing to compare with"
NEVER_ALONE = "fewer than {least} strokes of others fall where its own drum is silent"
NOT_SAVED = "not measured when this was saved"
BELOW = "below {least_db:.0f} dB"
HIDDEN = "hidden under the other drums"
LIKE_OWN = "what is heard at its strokes sounds like the mic's own drum, some of whose strokes may have been missed"
NOT_ALONE = "its strokes differ by {spread_db:.0f} dB here, so this is not its bleed alone"

# click, hum and tones
FEW_CLICKS = "too few clicks: {n}; at least {least} are needed"
CLICK_OTHER_RATE = "the click is at another sample rate"
CLICK_UNHEARD = "not heard; {bound_db:.0f} dB against the click would have been"
NO_HUM = "no tone of the mains stands out"
NO_HIGH_MAINS = "no multiples of the mains reach over 1 kHz"

# beats and bars
NO_BEAT = "no beat was found"
NO_BAR_START = "beats were found, but not where bars begin"
NO_BARS = "the bars are not known"
NO_BAR_LINE = "neither declared nor accented by the click, and the strokes do not show it plainly"
WHOLE_TAKE = "whole take"

# tuning and the ring
DAMPED = "no late ring stands out: damped, or too near the next stroke or other drums"
NO_PITCH = "no pitch stands out"
NO_ONE_PITCH = "no stroke rings at one pitch"
NO_SECOND_TONE = "no second tone beside the first that most strokes show"
NO_DECAY = "the ring does not fall along a line"
STROKES_DISAGREE = "the strokes disagree"
SAME_STRENGTH = "too few strokes, or all of them about as hard"
FEW_WITH_PITCH = "too few strokes with a clear pitch, or all of them too near one another"
FEW_TOM_SILENT = "too few strokes while the tom itself is silent"
NO_DISTANT_MIC = "no distant mic to tell the wires from the drum itself"
NEVER_WITHOUT_SNARE = "never struck without the snare near it"
SNARE_NOT_HIT = "the snare was not struck"

# cymbals, air and the room
CYMBALS_NEVER_ALONE = "cymbals never sound alone for long enough"
FEW_HATS = "fewer than {least} strokes of the hat stand alone"
FEW_KICKS = "fewer than {least} loud strokes of the kick stand alone"
FEW_FREE_SNARES = "fewer than {least} strokes of the snare that nothing follows for long enough"
FEW_DRUMS = "fewer than {least} drums were struck often enough"
TAIL_COVERED = "noise, other drums or the next stroke leave too little of it"
NOT_IN_OWN_MIC = "not known in the snare's own mic"
DRUM_AS_LONG = "the drum itself takes about as long"
NO_COPY = "no copy that most drums share stands out"
NOT_AGAIN = "it does not come once more"

# whose mic it is
NOTHING_SHARED = "nothing is loud here that another mic hears too"
NO_OTHER_MIC = "no other mic"
FEW_ONSETS = "too few loud onsets"

# takes beside one another
NOT_IN_BOTH = "not measured in both takes"
FEW_IN_ONE = "fewer than {least} strokes in one of the takes"
FEW_EQUAL = "fewer than {least} strokes of equal strength in both"
FEW_BLEEDING = "fewer than {least} strokes stand behind the bleed in one of the takes"
NO_ARRIVAL_IN_BOTH = "no arrival was found in both"
NO_DRUM_ARRIVES = "no arrival of a drum was found in this mic in both takes"
ARRIVES_NOWHERE = "no arrival of this drum in another mic was found in both takes"
CLICK_NOT_IN_BOTH = "the click was not heard in both"
HUM_IN_ONE = "hum stands out in one of the takes only"
PITCH_NOT_IN_BOTH = "no pitch of enough strokes was measured in both"
OTHER_MODE = "another tone of the drum stands out than in the first take"
FEW_EARLY = "no late pitch was measured in both, and fewer than {least} strokes have an early one"
OTHER_STRENGTH = "only early pitch was measured, and the strokes differ in strength"
STROKE_NOT_IN_BOTH = "no clear stroke of it was measured in both"
NO_MEAN_STROKE = "the mean stroke was not kept in both; pictures.npz beside measurements.json holds it"
BEAT_NOT_IN_BOTH = "no beat was found in both"
GAIN_NOT_HELD = "the takes do not tell this gain from the strength of strokes: no noise floor was measured in both"
DRUM_SLIPPED = "its drum and the drum's own mic stand differently to each other, which changes the level here, too"
NOT_SEEN = "nothing in this channel could be compared"
ALL_MOVED = (
    "all noise floors moved together: all gains were turned alike, or the room's noise changed and the strokes with it"
)
ONE_DRUM = "only one drum is heard here, so nothing is left once its level is matched"
NOT_OFF = "only strokes that lie off have one"
