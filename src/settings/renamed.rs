//! Keys that an earlier version called otherwise: still read, with a hint to the new name.

/// The earlier name of `key` in `section`.
pub(super) fn earlier(section: &str, key: &str) -> Option<&'static str> {
    match (section, key) {
        (feed, "whole_mix") if feed.starts_with("feed.") => Some("whole"),
        _ => None,
    }
}
