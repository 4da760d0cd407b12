//! Thresholds of the balance, tried on synthesised services (benches/own_mix): what separates without an error there,
//! with a margin.

/// Lasting movement of a copy, dB: with nothing in between,
pub(super) const COPY_LASTING_DB: f64 = 0.1;
/// for each dB from band to band of an equaliser's curve (up to 3 dB),
pub(super) const LASTING_BY_SLOPE: f64 = 0.035;
/// and for each dB that a compressor moves the whole from cell to cell (up to 2.5 dB).
pub(super) const LASTING_BY_JITTER: f64 = 0.06;
/// Own: lasting movement over that of a copy,
pub(super) const OWN_OVER_COPY: f64 = 1.5;
/// and in any case this, dB: copies whose fader was ridden have shown 0.23 for a minute.
pub(super) const OWN_LASTING_DB: f64 = 0.28;
/// Own: lasting movement over what sound that the house does not explain could do.
pub(super) const OWN_OVER_STRANGER: f64 = 0.2;
/// Own: lasting movement over all movement (a multiband compressor moves groups of bands, from moment to moment).
pub(super) const OWN_OVER_MOVES: f64 = 0.2;
/// Own, where a compressor moves the whole by this from cell to cell, dB, and of the movement less than this part is
/// local, as one of several bands of its own makes it:
pub(super) const GROUPED_JITTER_DB: f64 = 0.25;
pub(super) const GROUPED_LOCAL: f64 = 0.6;
/// lasting movement over all. Such compressors have shown 0.33;
pub(super) const GROUPED_LASTING: f64 = 0.4;
/// or lasting movement, dB, where this part of the movement is local: 104 such copies have shown 0.34 at most, and 0.45
/// with a part of 0.18.
pub(super) const GROUPED_LASTING_DB: f64 = 0.5;
pub(super) const GROUPED_SOME_LOCAL: f64 = 0.35;
/// Own: movement beside one change of the static gains over that of an equalised and compressed copy.
pub(super) const OWN_MOVES: f64 = 1.0;
/// The same where a compressor explains the gain of the whole, talk beside it as loud as held sound: such a copy behind
/// a strong equaliser has shown 1.05.
pub(super) const EXPLAINED_OWN_MOVES: f64 = 1.3;
/// Own: share of the movement that outlasts one change of the equaliser or of the patch.
pub(super) const OWN_BESIDE_STEP: f64 = 0.5;
/// Own: sound that is not talk, seconds (talk alone may be one talker behind a heavy compressor).
pub(super) const BESIDE_TALK_SECONDS: f64 = 15.0;
/// Own: movement of the broadband gain, dB: a room on a copy moves the bands, and leaves the whole as it was,
pub(super) const OWN_WHOLE_DB: f64 = 0.15;
/// or moves it by less than this over what it adds.
pub(super) const OWN_WHOLE_OVER_STRANGER: f64 = 0.2;
/// Own, though the whole stands still: local movement over what sound that the house does not explain could do.
/// Rooms on a copy of several sources have shown 0.73, a lone organ in a room 1.3.
pub(super) const BEYOND_STRANGER: f64 = 0.95;
/// Or else: unexplained part under which a room on a copy is too soft to matter, dB,
pub(super) const NO_ROOM_DB: f64 = -29.0;
/// or this, where the movement is beyond what a room on a copy makes, over that of an equalised copy, and the whole
/// stands still, as it does not in a mix that is cut off, dB,
pub(super) const SOFT_ROOM_DB: f64 = -24.0;
pub(super) const BEYOND_ROOM_OVER_COPY: f64 = 4.0;
/// talk, seconds (an organ explains its own room),
pub(super) const NO_ROOM_TALK_SECONDS: f64 = 14.0;
/// and movement over that of an equalised and compressed copy, whose whole stands still too.
pub(super) const NO_ROOM_OVER_COPY: f64 = 2.2;
/// Own: talk, seconds, or else
pub(super) const SOME_TALK_SECONDS: f64 = 5.0;
/// jitter of the broadband gain over local movement, as one held source does not have (an organ in a room: 0.003).
pub(super) const SEVERAL_JITTER: f64 = 0.05;
/// Copy: movement of any copy without much processing, dB.
pub(super) const COPY_MOVES_DB: f64 = 0.25;
/// Copy: movement of a processed one, dB, if it is also small against what the processing explains
pub(super) const PROCESSED_MOVES_DB: f64 = 0.40;
/// (movement over that of an equalised and compressed copy),
pub(super) const PROCESSED_OVER_COPY: f64 = 0.9;
/// and does not last (lasting movement over that of a copy).
pub(super) const PROCESSED_LASTING: f64 = 0.75;
/// The same where a compressor moves the whole by this from cell to cell, dB: sources moved by 2 dB in front of one
/// have shown 0.57.
pub(super) const COMPRESSED_LASTING: f64 = 0.55;
pub(super) const COMPRESSED_JITTER_DB: f64 = 0.3;
/// Such a copy: movement over that of an equalised and compressed copy,
pub(super) const COMPRESSED_OVER_COPY: f64 = 0.7;
/// and what of the movement is local: a compressor that works on all has shown 0.62 and more; one that hid talk which
/// was moved by some decibels, 0.5 to 0.58.
pub(super) const COMPRESSED_LOCAL: f64 = 0.6;
/// Copy behind a compressor whose fit leaves no more than this, dB:
pub(super) const FITTED_REST_DB: f64 = 0.6;
/// talk over held sound beside the fit, dB. Talk that was moved by 3 dB and more has shown 1.0 and more;
pub(super) const FITTED_STEP_DB: f64 = 0.5;
/// movement, dB, and over that of an equalised and compressed copy, and what lasts of it over that of a copy. Sources
/// moved by 2 dB in front of a compressor, talk not among them, have shown 1.5 times these, by 3 dB 2 times.
pub(super) const FITTED_MOVES_DB: f64 = 0.45;
pub(super) const FITTED_OVER_COPY: f64 = 0.85;
pub(super) const FITTED_LASTING: f64 = 0.7;
/// Copy without much processing: movement over that of an equalised and compressed copy,
pub(super) const COPY_OVER_COPY: f64 = 1.0;
/// and lasting movement over that of a copy: sources moved by 2 dB behind a compressor have shown 0.84.
pub(super) const COPY_LASTING: f64 = 0.8;
/// Copy with something added: movement, and local movement, over what the unexplained sound could do at most,
pub(super) const ADDED_MOVES: f64 = 0.45;
/// of which this local,
pub(super) const ADDED_LOCAL: f64 = 0.35;
/// and unexplained part: sound that lies over all, not a source that the house has not, dB.
pub(super) const ADDED_DB: f64 = -27.0;
/// Copy with something added: step of the static gain from band to band, dB. An equaliser and a room explain too much
/// together: a choir that was moved within, behind both, has shown 1.1; rooms on plain copies 0.26.
pub(super) const ADDED_SLOPE_DB: f64 = 0.6;
/// Copy with something added: broadband gain over 4 s, and from cell to cell, dB.
pub(super) const STILL_BLOCKS_DB: f64 = 0.1;
/// Copy: broadband gain that neither level nor kind of sound explains, over 4 s, dB.
pub(super) const COPY_REST_DB: f64 = 0.6;
/// Copy: talk over held sound that the level does not explain, dB. Talk that was moved by 3 dB and more and
/// compressed with the rest has shown 0.25 to 1.1, and never under 0.45 for 20 s.
pub(super) const COPY_TALK_STEP_DB: f64 = 0.45;
/// Own by level steps: a passage over or under those of the other kind before and behind it, dB.
pub(super) const STEP_DB: f64 = 1.2;
/// Own by level steps: how far the passages before and behind lie apart, dB and over the step. A fader that is ridden
/// comes back to within 0.05 of the step by chance, and then its passages are not steady within.
pub(super) const STEP_BACK_DB: f64 = 0.08;
pub(super) const STEP_BACK: f64 = 0.045;
/// Own by level steps: how far blocks of one passage lie apart, dB and over the step, and wobble. A slow leveller has
/// shown 0.15, and 0.6 dB.
pub(super) const STEP_WITHIN_DB: f64 = 0.25;
pub(super) const STEP_WITHIN: f64 = 0.1;
