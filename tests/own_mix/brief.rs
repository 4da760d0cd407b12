//! The bench in short: two sessions that nothing was tuned on, no wrong verdict, and verdicts at all.

use crate::{play, table};
use mixwarden::likeness::Kin;

#[test]
fn two_sessions_of_the_bench_bring_no_wrong_verdict() {
    let (mut told, mut wrong) = ([0; 2], Vec::new());
    // Talk and songs by turns; choir and organ with readings.
    for seed in [944, 917] {
        play::session(seed, 120.0, &mut |played| {
            let o = played.result;
            if o.told.iter().any(|t| table::is_wrong(&o, t.0, t.1)) {
                wrong.push(format!("{} [{}]: {:?}", o.name, o.row, o.told));
            }
            for (count, kin) in told.iter_mut().zip([Kin::Copy, Kin::Own]) {
                *count += usize::from(o.want == kin && o.told.iter().any(|t| t.1 == kin));
            }
        });
    }
    println!("copies told {}, own mixes told {}", told[0], told[1]);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(told[0] >= 6 && told[1] >= 4, "copies told {}, own mixes told {}", told[0], told[1]);
}
