//! What speaks for an own mix, and what for a copy, in the figures of a span.

use super::{Heard, limit};
use crate::likeness::balance::{Balance, Compressor, Steps};

/// Lasting movement that an equalised and compressed copy would show here, dB.
fn copy_lasting_db(b: &Balance) -> f64 {
    limit::COPY_LASTING_DB
        + limit::LASTING_BY_SLOPE * b.slope_db.min(3.0)
        + limit::LASTING_BY_JITTER * b.jitter_db.min(2.5)
}

/// How much the gain of the whole moves, from moment to moment or over 4 s, dB.
fn whole_moves_db(b: &Balance) -> f64 {
    b.block_moves_db.max(b.jitter_db)
}

/// Lasting movement that no copy shows, dB.
fn least_lasting_db(b: &Balance) -> f64 {
    limit::OWN_LASTING_DB
        .max(limit::OWN_OVER_COPY * copy_lasting_db(b))
        .max(limit::OWN_OVER_STRANGER * b.stranger_moves_db)
        .max(limit::OWN_OVER_MOVES * b.moves_beside_step_db)
}

/// The compressor that was fitted, if it leaves little of the gain.
fn fitted(b: &Balance) -> Option<Compressor> {
    b.compressor.filter(|c| c.rest_db <= limit::FITTED_REST_DB)
}

/// Beside this compressor talk is as loud to held sound as in the house.
fn talk_is_level(c: &Compressor) -> bool {
    c.step_db.abs() <= limit::FITTED_STEP_DB
}

/// The bands move against each other in a way that no copy's do.
pub(super) fn balance_moves(heard: &Heard, b: &Balance) -> bool {
    let whole = limit::OWN_WHOLE_DB.max(limit::OWN_WHOLE_OVER_STRANGER * b.stranger_moves_db);
    let over_copy = |times: f64| b.moves_beside_step_db >= times * b.copy_moves_db;
    let beyond_room = whole_moves_db(b) <= limit::STILL_BLOCKS_DB && over_copy(limit::BEYOND_ROOM_OVER_COPY);
    let room_db = if beyond_room { limit::SOFT_ROOM_DB } else { limit::NO_ROOM_DB };
    let several =
        heard.talk_seconds >= limit::SOME_TALK_SECONDS || b.jitter_db >= limit::SEVERAL_JITTER * b.local_moves_db;
    let beyond_stranger = b.local_moves_db >= limit::BEYOND_STRANGER * b.stranger_moves_db;
    let no_room = whole_moves_db(b) >= whole
        || several && beyond_stranger && over_copy(limit::NO_ROOM_OVER_COPY)
        || b.unexplained_db <= room_db
            && heard.talk_seconds >= limit::NO_ROOM_TALK_SECONDS
            && over_copy(limit::NO_ROOM_OVER_COPY);
    let by_groups = b.jitter_db >= limit::GROUPED_JITTER_DB && b.local_moves_db < limit::GROUPED_LOCAL * b.moves_db;
    let beyond_groups = b.lasting_moves_db >= limit::GROUPED_LASTING * b.moves_beside_step_db
        || b.lasting_moves_db >= limit::GROUPED_LASTING_DB
            && b.local_moves_db >= limit::GROUPED_SOME_LOCAL * b.moves_db;
    let explained = fitted(b).is_some_and(|c| talk_is_level(&c));
    b.lasting_moves_db >= least_lasting_db(b)
        && (!by_groups || beyond_groups)
        && over_copy(if explained { limit::EXPLAINED_OWN_MOVES } else { limit::OWN_MOVES })
        && b.moves_beside_step_db >= limit::OWN_BESIDE_STEP * b.moves_db
        && no_room
        && several
        && b.seconds - heard.talk_seconds >= limit::BESIDE_TALK_SECONDS
}

/// Passages have levels of their own, steady within, and the level before comes back: no hand and no leveller does that.
pub(super) fn comes_back(s: &Steps, wobble_db: f64) -> bool {
    s.step_db >= limit::STEP_DB
        && s.back_db <= limit::STEP_BACK_DB.min(limit::STEP_BACK * s.step_db)
        && s.within_db <= limit::STEP_WITHIN_DB.min(limit::STEP_WITHIN * s.step_db)
        && wobble_db <= limit::STEP_WITHIN * s.step_db
}

/// No more moves than some processing of a copy moves, and talk is as loud beside held sound as in the house.
pub(super) fn like_a_copy(b: &Balance) -> bool {
    let still = b.moves_db <= limit::COPY_MOVES_DB
        && b.moves_db <= limit::COPY_OVER_COPY * b.copy_moves_db
        && b.lasting_moves_db <= limit::COPY_LASTING * copy_lasting_db(b);
    // A compressor hides how loud talk and music are to each other, unless it is known what it does.
    let compressed = b.jitter_db >= limit::COMPRESSED_JITTER_DB;
    let fitted = fitted(b);
    let (most_db, over_copy, lasting) = match (compressed, fitted) {
        (true, Some(_)) => (limit::FITTED_MOVES_DB, limit::FITTED_OVER_COPY, limit::FITTED_LASTING),
        (true, None) => (limit::PROCESSED_MOVES_DB, limit::COMPRESSED_OVER_COPY, limit::COMPRESSED_LASTING),
        (false, _) => (limit::PROCESSED_MOVES_DB, limit::PROCESSED_OVER_COPY, limit::PROCESSED_LASTING),
    };
    // Talk and music that lie apart in tone move whole groups of bands, though their levels are hidden.
    let by_groups = compressed
        && fitted.is_none()
        && b.moves_db > limit::COPY_MOVES_DB
        && b.local_moves_db < limit::COMPRESSED_LOCAL * b.moves_db;
    let processed = b.moves_db <= most_db
        && b.moves_db <= over_copy * b.copy_moves_db
        && b.lasting_moves_db <= lasting * copy_lasting_db(b)
        && !by_groups;
    // The gain of the whole stands still: what moves by band is what was added.
    let added = whole_moves_db(b) <= limit::STILL_BLOCKS_DB
        && b.slope_db <= limit::ADDED_SLOPE_DB
        && b.moves_db <= limit::ADDED_MOVES * b.stranger_moves_db
        && b.local_moves_db <= limit::ADDED_LOCAL * b.stranger_moves_db
        && (b.moves_db <= limit::COPY_MOVES_DB
            || b.moves_db <= limit::PROCESSED_MOVES_DB && b.unexplained_db > limit::ADDED_DB);
    let no_step = match b.compressor {
        Some(_) => fitted.is_some_and(|c| talk_is_level(&c)),
        None => b.talk_step_db.abs() <= limit::COPY_TALK_STEP_DB,
    };
    (still || processed || added) && b.block_rest_db <= limit::COPY_REST_DB && no_step
}
