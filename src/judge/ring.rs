//! The newest of something: what conditions keep of the last ticks.

use std::collections::VecDeque;

/// Takes `value` in, and lets the oldest go when there are `most` already.
pub(super) fn push<T>(ring: &mut VecDeque<T>, most: usize, value: T) {
    if ring.len() == most {
        ring.pop_front();
    }
    ring.push_back(value);
}
