"""Every number that a judgement hangs on, in one place, with its unit, its reason and where it comes from.

No other module of find/ holds a threshold. A take's own norms may replace any of them:

    limits = Thresholds().with_overrides({"low_level_dbfs": -36.0})
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from math import isfinite
from typing import Any

from kitproof.errors import KitproofError

PRACTICE = "common practice"
OWN = "own choice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """One number: what it is called, what it is in, why it is what it is, and who says so."""

    name: str
    value: float
    unit: str
    reason: str
    source: str


def _t(name: str, value: float, unit: str, reason: str, source: str = OWN) -> Threshold:
    return Threshold(name=name, value=value, unit=unit, reason=reason, source=source)


_ALL = (
    # files
    _t("length_tolerance_frames", 1.0, "frames", "a converted file ends up to one frame early or late"),
    _t("length_look_s", 0.02, "s", "below, it is padding at the end and nothing is lost"),
    _t("length_fix_s", 0.5, "s", "half a second holds a stroke; the files no longer line up by themselves"),
    _t("flag_tolerance", 2e-5, "share", "20 ppm: how exactly two machines run for the same time when started together"),
    _t("start_tolerance_s", 0.0005, "s", "time references further apart shift the picture of a pair", PRACTICE),
    _t("low_bits", 16.0, "bits", "24-bit files whose lowest 8 bits are never set were 16-bit once", PRACTICE),
    _t("wall_fall_db", 40.0, "dB", "from live treble to nothing at once; air, heads and mics fall by 15", PRACTICE),
    _t("wall_rest_db", 25.0, "dB", "and nothing further up comes back"),
    _t("wall_lowest_hz", 13000.0, "Hz", "encoders cut above this; lower, a mic or a filter may", PRACTICE),
    _t("upsampled_lowest_hz", 20350.0, "Hz", "a rate of 44.1 kHz ends here at the earliest; encoders end below"),
    _t("upsampled_highest_hz", 24500.0, "Hz", "a rate of 48 kHz ends below"),
    _t("upsampled_rate_hz", 88000.0, "Hz", "rates that promise more"),
    # life
    _t("dead_over_noise_db", 3.0, "dB", "RMS this near the noise floor: nothing but noise in the file"),
    _t("dead_least_share", 0.1, "share of length", "so much shorter than the longest file, it is a stub"),
    _t("dead_crest_db", 20.0, "dB", "steady noise has a crest of 11 to 15 dB; one stroke in a song lifts it over 20"),
    _t("trace_peak_dbfs", -50.0, "dBFS", "a close mic that never peaks over this has only crosstalk or distant drums"),
    _t("trace_under_others_db", 30.0, "dB", "an unpowered mic is 30 to 50 dB under its siblings", PRACTICE),
    # level
    _t("low_level_dbfs", -30.0, "dBFS", "loudest own stroke below this: pad forgotten or wrong input", PRACTICE),
    _t("low_level_distant_dbfs", -40.0, "dBFS", "a distant mic is quieter, and may be meant so"),
    _t("low_level_room_db", 40.0, "dB", "peak over noise floor below this and the hiss is heard", PRACTICE),
    _t("low_level_under_others_db", 12.0, "dB", "quiet like all the others is a quiet song or brushes"),
    _t("hot_dbfs", -3.0, "dBFS", "takes come louder than the check; 6 dB should be spare", PRACTICE),
    _t("clip_gap_s", 0.05, "s", "flat tops nearer than this belong to one stroke"),
    _t("clip_before_s", 0.005, "s", "a flat top may begin before the stroke's own mic hears it"),
    _t("clip_fix_hits", 3.0, "hits", "clipped kick or snare strokes from which on the take is at risk", PRACTICE),
    _t("clip_fix_share", 0.01, "share of hits", "the same as a share of the drum's strokes", PRACTICE),
    _t("clip_fix_others", 10.0, "places", "on other mics: so many cannot be rebuilt one by one"),
    _t("clip_lost_share", 0.25, "share of hits", "so many strokes cut flat and the channel is lost"),
    _t("dc_fraction", 0.001, "of full scale", "mean above -60 dBFS", PRACTICE),
    _t("ceiling_sure", 0.6, "0 to 1", "a less sure ceiling below full scale is left alone, but for one long flat top"),
    _t("ceiling_fewest_beside", 6.0, "samples", "beside the highest of all tops: fewer cannot tell flat from round"),
    _t("ceiling_flat", 0.33, "share of samples", "at the ceiling: cut off; tops that barely reach it are a third flat"),
    _t("ceiling_round", 0.25, "share of samples", "at the ceiling: a parabola's 0.02 dB over its 0.3 dB, by the root"),
    _t("ceiling_tops_per_stroke", 1.6, "tops", "a limiter lets one or two of each stroke up; a ceiling meets several"),
    _t("held_fewest", 8.0, "strokes", "that end at one height; a few do so by chance"),
    _t("held_clear", 1.5, "ratio", "of the least range; beyond it, fewer strokes do: none in clean takes come near"),
    _t("held_least_db", 3.0, "dB", "range elsewhere: a stroke's place on the head changes it by 2"),
    _t("held_wide_db", 0.5, "dB", "a heap wider than this is of a limiter that lets the first wave pass"),
    _t("held_soft_db", 6.0, "dB", "the same where the heap is a whole dB wide"),
    _t("held_distant_db", 6.0, "dB", "the same of an overhead or room mic: drums lie elsewhere in it"),
    _t("held_agreement", 0.7, "-1 to 1", "of the other mics on how much the strokes differ"),
    _t("held_share", 0.8, "share", "of the strokes as loud elsewhere that are in the heap: chance leaves most out"),
    _t("limited_fewest", 6.0, "places", "peaks that end at one level this often do not by chance"),
    # signal
    _t("gap_side_ms", 0.5, "ms", "jumps in several channels nearer than this are one loss"),
    _t("skip_share", 0.5, "share of mics", "a break that most show is no stroke that leaks between preamps"),
    _t("skip_also_share", 0.3, "share of mics", "further breaks of a take that has one: cymbals hide the rest"),
    _t("break_apart_s", 0.02, "s", "a break so near to a hole, a crack or a clipped top is part of it"),
    _t("break_fewest", 2.0, "breaks", "samples that are lost and made up for leave two; a tail cut in an editor one"),
    _t("break_alone_db", 20.0, "dB", "ten times the largest error beside it: one alone is sure"),
    _t("hum_note_dbfs", -80.0, "dBFS", "under every room's own noise: worth knowing, not worth a decision"),
    _t("click_note_db", -90.0, "dB", "against the click: under the noise of any converter"),
    _t("click_routed_db", -20.0, "dB", "louder than headphones leak: recorded on purpose or by a wrong route"),
    _t("routed_least_db", -30.0, "dB", "against the first: softer, it moves the spectrum by less than 0.3 dB"),
    _t("routed_fix_db", -15.0, "dB", "against the first: it moves the spectrum by 1.5 dB up and down, and is heard"),
    _t("routed_near_ms", 0.5, "ms", "an echo of drums that lies so near is the same copy"),
    _t("routed_same_ms", 0.1, "ms", "copies of one path; two of one kind of converter do not differ by more"),
    _t("drift_ppm", 3.0, "ppm", "clocks of one make differ by more; below, 4 minutes move by 0.7 ms at most", PRACTICE),
    _t("drift_least_ms", 0.05, "ms", "over the take: less is within what a drum's sound changes by itself"),
    _t("drift_fix_ms", 0.5, "ms", "over the take: the picture of the kit changes to the ear", PRACTICE),
    _t("moved_ms", 0.15, "ms", "5 cm: a mic does not move so far by itself", PRACTICE),
    _t("moved_fewest_strokes", 16.0, "strokes", "in all: in a line check two toms under one name look like a step"),
    _t("moved_cymbal_ms", 0.5, "ms", "17 cm: a cymbal swings, and is struck on its bell, bow and edge"),
    _t("moved_fix_ms", 0.5, "ms", "17 cm: tone and picture change, the two halves no longer match"),
    _t("jump_least_ms", 3.0, "ms", "1 m: less may be a mic that moved, and is looked for as such"),
    _t("jump_fit", 0.6, "-1 to 1", "moved, most channels that jumped fit at 0.6 to 0.9, clean ones at 0.55"),
    _t("jump_unmoved", 0.15, "-1 to 1", "not moved, they do not fit at all; those of clean channels mostly do"),
    _t("jump_fit_all", 0.45, "-1 to 1", "where all drums agree, which they never do in clean takes"),
    _t("jump_unmoved_all", 0.1, "-1 to 1", "the same"),
    _t("jump_fewest_drums", 3.0, "drums", "two agree by chance where hats give way to a ride: 11 ms in one clean take"),
    _t("jump_share", 0.5, "share of drums", "if most of them say otherwise, it is not the channel that jumped"),
    _t("jump_fix_drums", 4.0, "drums", "so many do not agree by chance"),
    # signal chain
    _t("gain_note_db", 1.0, "dB", "takes whose gain differs by more cannot be cut together unnoticed", PRACTICE),
    _t("gain_look_db", 1.5, "dB", "a step inside the take", PRACTICE),
    _t("gain_fix_db", 3.0, "dB", "the balance of the kit changes to the ear", PRACTICE),
    _t("gain_alone_db", 2.0, "dB", "where all strokes share one drum, which may have changed by itself"),
    _t("gain_fewest_kinds", 3.0, "kinds", "kinds of strokes that show the same step; two may do so by chance"),
    _t("gain_clear_kinds", 2.0, "kinds", "the same where the step explains nearly all that there is to explain"),
    _t("gain_clear_rest", 0.7, "ratio", "of two kinds or more; steady takes stay above 0.89"),
    _t("gain_agree_share", 0.6, "share of kinds", "the rest may be strokes that were missed or counted twice"),
    _t("gain_rest", 0.85, "ratio", "scatter with the step over scatter without it; steady takes stay above 0.9"),
    _t("gain_over_slope", 0.98, "ratio", "a step has to explain more than a steady change does"),
    _t("gain_error_share", 0.34, "share of the step", "three errors: a step that may be none is none"),
    _t("fade_db", 4.0, "dB", "from the first stroke to the last: twice what a fader that crept would be"),
    _t("fade_rest", 0.75, "ratio", "scatter with the slope over scatter without; steady takes stay above 0.9"),
    _t("fade_fewest_kinds", 2.0, "kinds", "of strokes; one may change by itself"),
    _t("fade_over_step", 1.1, "ratio", "a slope has to explain about as much as the best step"),
    _t("gate_fewest_swallowed", 6.0, "strokes", "of other drums that an open mic would have heard"),
    _t("closing_fewest", 6.0, "strokes", "after which all bands fall at once; hands and edits do it to fewer"),
    _t("closing_share", 0.5, "share", "of the strokes that can be followed; in clean takes an eighth at most"),
    _t("gate_fewest_falls", 4.0, "times", "that it shuts at once: fewer are edits between sections"),
    # interference
    _t("phone_fix_under_peak_db", 45.0, "dB", "edges so near to the peak of a channel are heard through the kit"),
    _t("buzz_note_dbfs", -85.0, "dBFS", "its highs are heard sooner than a hum"),
    _t("whine_note_dbfs", -80.0, "dBFS", "under every room's own noise: worth knowing, not worth a decision"),
    _t("whine_least_dbfs", -90.0, "dBFS", "converters have tones below by themselves"),
    _t("whine_same_hz", 3.0, "Hz", "one line of the spectrum: the same tone in two channels"),
    _t("whine_hum_top_hz", 1000.0, "Hz", "multiples of the mains below, next to a hum, are the hum's"),
    _t("whine_mains_hz", 0.5, "Hz", "so near to a multiple of the mains a tone may be one"),
    _t("crackle_gap_s", 0.02, "s", "a crack so near to lost samples is their edge"),
    _t("crackle_phone_s", 0.2, "s", "a telephone's burst begins and ends with sounds of its own"),
    _t("whine_heard_hz", 16000.0, "Hz", "few grown ears hear more"),
    _t("crackle_fewest", 3.0, "cracks", "one or two may be anything"),
    _t("crackle_fix_fewest", 5.0, "cracks", "more than can be cut out one by one without a thought"),
    _t("crackle_fix_under_peak_db", 30.0, "dB", "so near to the peak of the channel it is heard through the kit"),
    _t("knock_most", 4.0, "bangs", "a mic is not knocked more often in one take; it is something else"),
    _t("knock_step_s", 2.0, "s", "a step of the delay so near to the bang belongs to it"),
    _t("click_alone_note_dbfs", -80.0, "dBFS", "under every room's own noise"),
    _t("end_over_noise_db", 20.0, "dB", "first or last 10 ms over the noise: cut in the sound", PRACTICE),
    _t("end_fix_db", 40.0, "dB", "a ring cut so far up is heard as a chop"),
    _t("end_least_dbfs", -75.0, "dBFS", "a cut below is covered by any room"),
    _t("end_still_db", 1.5, "dB", "in half a second; the slowest cymbals fall by 3, noise by nothing"),
    _t("end_room_db", 60.0, "dB", "from the peak of a stroke to the noise of a common room"),
    # noise
    _t("noise_close_dbfs", -60.0, "dBFS", "tolerable noise floor of a close mic", PRACTICE),
    _t("noise_distant_dbfs", -55.0, "dBFS", "tolerable noise floor of an overhead or room mic", PRACTICE),
    _t("noise_over_others_db", 12.0, "dB", "over the median of the other channels; gains differ by up to 10 dB"),
    _t("noise_over_others_distant_db", 18.0, "dB", "distant mics need more gain"),
    _t("noise_fewest_others", 3.0, "channels", "a median of fewer says nothing"),
    # polarity
    _t("cancel_db", -3.0, "dB", "sum over difference in the low band below this: fuller with one flipped", PRACTICE),
    _t("cancel_clear_db", -6.0, "dB", "below this the flip is clear, above it leans", PRACTICE),
    _t("cancel_agreement", 0.8, "share of hits", "strokes that have to say the same"),
    _t("cancel_fewest_hits", 3.0, "hits", "of a line check, of which every one has to say the same"),
    _t("cancel_fewest_motions", 2.0, "drums", "first motions that have to bear out a pair whose delay is not known"),
    _t("cancel_delay_snare_ms", 1.2, "ms", "a quarter period of a snare's 200 Hz: above, delay itself cancels"),
    _t("cancel_delay_kick_ms", 3.5, "ms", "a quarter period of a kick's 70 Hz"),
    _t("cancel_delay_tom_ms", 2.0, "ms", "a quarter period of a tom's 120 Hz"),
    _t("first_motion_sure", 0.6, "0 to 1", "first motions less clear than this count for nothing"),
    # placement
    _t("delay_spread_ms", 0.25, "ms", "a delay known no better than this cannot judge a place"),
    _t("delay_spread_far_ms", 1.0, "ms", "enough to tell a late channel from any place in a room"),
    _t("delay_fewest_hits", 3.0, "hits", "of a line check; of so few each has to show the delay, and the worst counts"),
    _t("fix_fewest_hits", 5.0, "hits", "of all drums together: fewer ask for a look at most"),
    _t("pair_note_ms", 0.3, "ms", "left against right: a shift of the image begins to be heard", PRACTICE),
    _t("pair_look_ms", 0.6, "ms", "left against right: the snare leans plainly to one side", PRACTICE),
    _t("pair_fix_ms", 1.0, "ms", "left against right: near this a sound comes from one side alone", PRACTICE),
    _t("pair_equal_m", 0.03, "m", "tape distances this near were meant to be equal"),
    _t("pair_gain_db", 1.5, "dB", "left against right, of drums that reach both alike and of the noise", PRACTICE),
    _t("pair_gain_strokes", 3.0, "strokes", "of a line check, of each drum in each of the two"),
    _t("pair_gain_agree_db", 1.5, "dB", "the noise differs by what the drums do, or it is not the gain"),
    _t("low_cut_note_db", 15.0, "dB", "25 to 31 Hz, left against right: modes of a room alone made 10"),
    _t("low_cut_look_db", 20.0, "dB", "no mode does that; 18 dB an octave from 80 Hz makes 28"),
    _t("low_cut_octave_db", 5.0, "dB", "40 to 50 Hz: 12 dB an octave from 80 Hz makes 10"),
    _t("low_cut_upper_db", 8.0, "dB", "100 to 125 Hz: there hardly any of it is left"),
    _t("same_drum_late_ms", 1.0, "ms", "a second mic of a drum stands within 35 cm of the first's path", PRACTICE),
    _t("kick_out_late_ms", 2.0, "ms", "a shell's depth, and the port: 0.9 to 1.6 ms is usual", PRACTICE),
    _t("same_drum_early_ms", -1.0, "ms", "nor can a second mic be so much nearer than the first"),
    _t("tape_mark_m", 0.10, "m", "tape and sound nearer than this agree: a head's radius; more is marked on the plan"),
    _t("tape_tolerance_ms", 0.6, "ms", "20 cm: a tape held askew, and the drum's size"),
    _t("late_close_ms", 6.0, "ms", "2 m: no second close mic stands so far away"),
    _t("late_overhead_ms", 8.0, "ms", "2.7 m: no overhead hangs so far from the nearest drum"),
    _t("late_room_ms", 20.0, "ms", "7 m: further than a project room is long; usual are 4 to 15", PRACTICE),
    _t("late_partner_ms", 6.0, "ms", "2 m: the other side of a pair is not so much nearer to every drum"),
    _t("late_fewest_drums", 2.0, "drums", "one drum alone may stand beside one of the two"),
    _t("early_ms", -0.4, "ms", "no mic hears a drum before its own mic: that one is late"),
    _t("unheard_fewest_hits", 10.0, "hits", "a kick or snare played so often is heard first somewhere in the room"),
    _t("unheard_fewest_mics", 3.0, "mics", "so many cannot all be covered by other drums"),
    _t("usual_snare_bottom_ms", 0.1, "ms", "least that a bottom mic is later than the top one", PRACTICE),
    _t("usual_kick_out_ms", 0.9, "ms", "least that an outside mic is later than the inside one", PRACTICE),
    # left and right
    _t("sides_fewest_hits", 3.0, "hits", "strokes without which a drum's place is chance"),
    _t("sides_fewest_drums", 2.2, "drums", "weighted by how well each is known; two agree or disagree by chance"),
    _t("sides_width_ms", 0.25, "ms", "standard deviation over the drums: from side to side, in both pairs"),
    _t("sides_base_spread_ms", 0.2, "ms", "a drum is 5 to 10 cm wide, however well its delay is known"),
    _t("sides_unknown_spread_ms", 0.5, "ms", "of a delay from too few strokes for a spread"),
    _t("sides_correlation", -0.7, "-1 to 1", "below this the pairs show the kit the other way round"),
    _t("sides_agree", 0.7, "-1 to 1", "above this the pairs agree"),
    # stems of another take
    _t("foreign_fix_share", 0.2, "share of onsets", "mics of the take meet 0.35 to 1, those of another song 0.17"),
    _t("foreign_look_share", 0.34, "share of onsets", "of another take of the song at the same tempo: up to 0.33"),
    _t("foreign_fewest_onsets", 20.0, "onsets", "fewer meet those of some other mic by chance"),
    _t("foreign_fewest_mics", 5.0, "mics", "among fewer, nobody may hear what one of them hears"),
    _t("foreign_arrival_ms", 0.3, "ms", "an arrival as sure as this is none of two takes laid over one another"),
    _t("foreign_arrival_hits", 20.0, "hits", "fewer may arrive alike by chance"),
    _t("foreign_others_share", 0.6, "share of onsets", "median of the other mics: they must line up among themselves"),
    # names: what a mic hears against what its name promises, in points of misfit
    _t("voice_drum_tilt_db", 4.0, "dB", "below 500 Hz over above 4 kHz next to a drum: kits measure 8 to 35"),
    _t("voice_cymbal_tilt_db", -2.0, "dB", "the same next to a cymbal: kits measure -26 to -4"),
    _t("voice_damped_db", -18.0, "dB", "135 ms on below 250 Hz: kicks and snares fall by 28 and more, 10 are spare"),
    _t("voice_ringing_db", -16.0, "dB", "the same of toms: open ones fall by 3 to 12"),
    _t("voice_kick_body_db", -4.0, "dB", "250 Hz to 1 kHz over below 120 Hz: kicks measure -11 to -6"),
    _t("voice_snare_body_db", -1.0, "dB", "the same of snares: 0 to 8"),
    _t("voice_tom_body_db", -7.0, "dB", "the same of toms: -2 to 5, deep floor toms less"),
    _t("voice_hat_fall_db", -13.0, "dB", "135 ms on above 4 kHz: hats fall by 19 and more, half open ones by less"),
    _t("voice_ride_fall_db", -10.0, "dB", "the same of rides: by 2 to 8"),
    _t("voice_tilt_points", 0.4, "points per dB", "10 dB on the wrong side leave no doubt"),
    _t("voice_body_points", 0.8, "points per dB", "mic and place change it by 3 dB; 5 dB leave no doubt"),
    _t("voice_fall_points", 0.5, "points per dB", "damping changes it; 8 dB beyond leave no doubt"),
    _t("voice_most_points", 4.0, "points", "one trait alone is never proof enough for a fix"),
    _t("tom_order_semitones", 1.5, "semitones", "toms this near in pitch may be tuned either way round"),
    _t("tom_snare_semitones", 1.5, "semitones", "a mic that rings so near to the snare's pitch hears it from afar"),
    _t("tom_order_points", 2.0, "points per semitone", "sizes set the order; two semitones past the limit are plain"),
    _t("tom_pitch_agreement", 0.75, "share of strokes", "strokes within a semitone, or it is not the tom that rings"),
    _t("name_points", 3.0, "points", "misfit that must go away when names are exchanged"),
    _t("name_fix_points", 6.0, "points", "more than one trait of one channel can give"),
    _t("name_each_points", 1.0, "points", "of these in each channel: nobody's name may get worse"),
    _t("name_left_points", 2.0, "points", "misfit that may be left under the new name"),
    _t("name_fewest_strokes", 8.0, "strokes", "a kick or snare is played more often, a tom in a fill less"),
    _t("order_ms", 0.6, "ms", "a tom this far on the wrong side of another, in either of two pairs"),
    _t("order_mean_ms", 1.2, "ms", "the same on the mean of both pairs: well over the errors of few strokes"),
    # distance by name
    _t("distance_fewest_loud", 12.0, "sounds", "loud sounds in a mic that say whether it is near or far"),
    _t("distance_far_share", 0.03, "share of sounds", "a close mic is first at its own strokes, more often"),
    _t("distance_far_ms", 2.5, "ms", "86 cm behind whatever mic is first: an overhead's distance"),
    _t("distance_near_share", 0.2, "share of sounds", "a distant mic is hardly ever first"),
    _t("distance_apart_ms", 1.5, "ms", "50 cm: room mics stand further away than overheads hang by more than this"),
    _t("bottom_ahead_ms", 0.1, "ms", "3 cm: the bottom mic of a snare hears it later, or as soon"),
    _t("bottom_duller_db", 1.5, "dB", "lows over highs: the bottom mic faces the wires and is the brighter one"),
    _t("room_level_ms", 0.7, "ms", "25 cm behind the later overhead: at the kit; room mics are 2 ms and more"),
    _t("room_near_ms", 5.0, "ms", "1.7 m: overheads hang nearer, so a later one that is level with a room mic is late"),
    _t("room_level_drums", 2.0, "drums", "all that are known, and so many; one may stand beside it"),
    _t("room_close_ms", 3.5, "ms", "1.2 m: nearer than an overhead hangs, no room mic", PRACTICE),
    # bleed
    _t("bleed_not_close_db", -8.0, "dB", "foreign over own above this: not a close mic of that drum", PRACTICE),
    _t("bleed_shared_db", -15.0, "dB", "above this: a shared mic, part of the picture", PRACTICE),
    _t("bleed_fewest_own_hits", 20.0, "hits", "of a drum hit less often its own level is known to several dB only"),
    _t("bleed_fewest_hits", 8.0, "hits", "strokes of the other drum; a fill says little"),
    _t("bleed_spread_db", 6.0, "dB", "interquartile range above which a ratio is no figure"),
    _t("bleed_apart_s", 0.06, "s", "strokes of two drums nearer than the window of a stroke share it"),
    _t("bleed_hard_percentile", 75.0, "% of strokes", "of a drum with ghosts the usual stroke is a ghost"),
    _t("bleed_apart_share", 0.15, "share of strokes", "fewer apart: those where a stroke of the own drum was missed"),
    # the instrument
    _t("ring_long_s", 4.0, "s", "a drum that takes longer to fall by 60 dB sounds into the next bar at any tempo"),
    _t("tuning_look_cents", 25.0, "cents", "a quarter of a semitone: parts before and after no longer match", PRACTICE),
    _t("tuning_fix_cents", 50.0, "cents", "surely half a semitone: the drum went off"),
    _t("tuning_early_look_cents", 50.0, "cents", "from the pitch of the strokes, which hangs on their place", PRACTICE),
    _t("tuning_early_fix_cents", 100.0, "cents", "from the pitch of the strokes: surely a semitone"),
    _t("tuning_errors", 3.0, "errors", "a drift less than so many of its errors is chance"),
    _t("tuning_together_drums", 3.0, "drums", "so many that move alike are moved by the room", PRACTICE),
    _t("buzz_fewest_hits", 8.0, "hits", "missed ghost notes spoil fewer"),
    _t("buzz_fewest_tom_hits", 5.0, "hits", "a tom is struck in fills only"),
    _t("buzz_share", 0.5, "share of hits", "wires that a drum sets off answer most of its strokes"),
    _t("buzz_over_noise_db", 10.0, "dB", "over what was there before the stroke: plainly heard"),
    _t("buzz_over_spill_db", 6.0, "dB", "over what the distant mics let expect, which already expects too much"),
    _t("buzz_note_db", -40.0, "dB", "against the snare's own strokes: less is lost under any groove"),
    _t("buzz_look_db", -15.0, "dB", "against the snare's own strokes: as loud as ghost notes"),
    _t("wires_step_db", 3.0, "dB", "at equal strokes; a steady snare stays within 1"),
    _t("wires_step_rest", 0.6, "ratio", "scatter with the step over scatter without; steady takes stay above 0.75"),
    _t("wires_step_overlap", 0.1, "share of strokes", "that hold as much of them as the other side's"),
    _t("wires_step_drum_db", 3.0, "dB", "a drum that itself changes so much is struck otherwise: rim, edge, brushes"),
    _t("changed_step_db", 2.5, "dB", "mean over octaves, at equal strokes; steady drums stay under 1.3"),
    _t("changed_rest", 0.6, "ratio", "scatter with the step over scatter without; steady takes stay above 0.5"),
    _t("changed_overlap", 0.1, "share of strokes", "that sound like the other side's; of no step it is a third"),
    _t("changed_sudden", 0.7, "share of the step", "in the strokes next to it; of a tone that wanders half"),
    _t("changed_louder_db", 4.0, "dB", "a drum that is played so much louder or softer is played otherwise"),
    _t("changed_same_s", 3.0, "s", "a mic that moved, or wires that slipped, so near to it is the same event"),
    _t("opens_look_db", 5.0, "dB", "a quarter of the way from closed to open hats, which lie 20 dB apart", PRACTICE),
    _t("opens_smallest_share", 0.08, "share of the rise", "in each fifth of the take: parts stand still in between"),
    _t("opens_largest_share", 0.5, "share of the rise", "in one step: an open chorus, not a clutch that creeps"),
    _t("opens_least_s", 90.0, "s", "in less, a drummer may open the hats towards a chorus"),
    _t("opens_apart_db", 3.0, "dB", "of the shortest strokes over the longest before: none is as short any more"),
    _t("along_note_db", -35.0, "dB", "of a tom's own ring: less is lost under any groove"),
    _t("along_look_db", -14.0, "dB", "of a tom's own ring: a note that is heard under the groove"),
    _t("along_tone_db", 15.0, "dB", "over its surroundings: a tone, not another drum's skirt"),
    _t("along_rise_db", 10.0, "dB", "over what was there before: it is this drum that sets it off"),
    _t("along_fewest_hits", 8.0, "hits", "fewer may all have had something else with them"),
    # the room, the air, the cymbals
    _t("comb_note_db", -12.0, "dB", "of a copy against the direct sound: under -10 dB it is rarely heard", PRACTICE),
    _t("comb_look_db", -8.0, "dB", "a ripple of 7 dB from notch to peak"),
    _t("slap_note_db", -14.0, "dB", "of an echo against the direct sound; rooms without one stay under -16"),
    _t("slap_look_db", -8.0, "dB", "an echo that a gate or a compressor brings up to the drum itself"),
    _t("air_note_db", -18.0, "dB", "against the kick's body; uneven strokes alone give -24"),
    _t("air_look_db", -12.0, "dB", "against the kick's body: cones and compressors follow it"),
    _t("air_uneven", 0.08, "share", "of the energy below 25 Hz; strokes of a drum alone differ by 0.06 at most"),
    _t("air_over_before_db", 15.0, "dB", "over what is there without a stroke: a rumble is there at any time"),
    _t("air_one_sided", 0.3, "-1 to 1", "a wave swings to both sides: kicks measure up to 0.28"),
    _t("wash_note_db", -12.0, "dB", "cymbals against a tom's strokes, in the treble: they are lifted along", PRACTICE),
    _t("wash_loud_note_db", 0.0, "dB", "what cymbals rarely go over, in the treble: as loud as the tom itself"),
    _t("wash_look_db", 3.0, "dB", "in the treble the mic is more a cymbal mic than a tom mic"),
    _t("wash_gate_db", 6.0, "dB", "soft strokes over cymbals: a gate needs this much to tell them apart", PRACTICE),
    _t("wash_fewest_hits", 5.0, "hits", "the softest of fewer may be no stroke at all"),
    _t("hat_note_db", -15.0, "dB", "hi-hat against snare in the treble: shared, part of the picture", PRACTICE),
    _t("hat_look_db", -8.0, "dB", "hi-hat against snare in the treble: no close mic any more", PRACTICE),
    _t("hat_look_fewest", 12.0, "strokes", "of either; fewer may be accents of an open hi-hat"),
    # verdict
    _t("unknown_share", 0.5, "share of channels", "fewer measured channels than this say nothing about a take"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Thresholds:
    """All thresholds by name; `limits["hot_dbfs"]` is the number."""

    entries: Mapping[str, Threshold] = field(default_factory=lambda: {t.name: t for t in _ALL})

    def __getitem__(self, name: str) -> float:
        return self.entries[name].value

    def __iter__(self) -> Iterator[Threshold]:
        return iter(self.entries.values())

    def with_overrides(self, values: Mapping[str, Any], source: str = "set by the user") -> Thresholds:
        """The same with some numbers replaced, as a TOML table gives them; `source` says where they were set.

        Raises
        ------
        KitproofError : a name that does not exist, or a value that is no number
        """
        entries = dict(self.entries)
        for name, value in values.items():
            if name not in entries:
                near = get_close_matches(name, entries, n=1)
                hint = f"did you mean {near[0]!r}?" if near else "the names are listed by: kitproof limits."
                raise KitproofError(f"limit {name!r}: there is none of that name; {hint}")
            if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
                raise KitproofError(f"limit {name!r}: found {value!r}, expected a number ({entries[name].unit})")
            usual = Thresholds()[name]
            entries[name] = replace(
                entries[name], value=float(value), reason=f"set in place of {usual:g}", source=source
            )
        return Thresholds(entries)

    def accept(self, sets: Mapping[str, Mapping[str, Any]]) -> tuple[Thresholds, tuple[str, ...]]:
        """The same with several tables laid over it, the later one winning, and a sentence for each entry left out.

        sets : where it was set -> name -> value
        """
        limits, remarks = self, []
        for source, values in sets.items():
            for name, value in values.items():
                try:
                    limits = limits.with_overrides({name: value}, source)
                except KitproofError as error:
                    remarks.append(f"{source}: {error} Left out.")
        return limits, tuple(remarks)

    def as_settings(self) -> dict[str, dict[str, float | str]]:
        """Name to value, unit, reason and source, for the saved settings."""
        return {t.name: {"value": t.value, "unit": t.unit, "reason": t.reason, "source": t.source} for t in self}

    def as_toml(self) -> str:
        """All of them as a file to start from: every line a comment, so that it changes nothing as it is."""
        lines = [f"# {t.name} = {t.value:g}  # {t.unit}; {t.reason} ({t.source})" for t in self]
        return "\n".join(["# Take the # away in front of what you want to set.", *lines]) + "\n"
