//! Two hours of the rehearsal through the chain: every scripted fault at its second, no other warning,
//! memory flat. `cargo bench --bench rehearsal_soak` does eight hours.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

#[path = "booth/soak.rs"]
mod soak;

#[test]
fn two_hours_bring_the_scripted_faults_and_no_other_warning() {
    let soak = soak::run(2.0);
    assert!(soak.faults.len() >= 12);
    soak.check();
}
