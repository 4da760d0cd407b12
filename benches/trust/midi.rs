//! Tunes from a seed as MIDI files (format 0), for a synthesiser with a free sound font. Invented music.

use super::rng::Rng;

/// A kind of piece: name, General MIDI programs with the part each plays, drums.
pub struct Piece {
    pub name: &'static str,
    pub parts: &'static [(u8, Part)],
    pub drums: bool,
    pub beats_a_minute: (f64, f64),
}

#[derive(Clone, Copy, PartialEq)]
pub enum Part {
    Chords,
    Melody,
    Bass,
    Arpeggio,
    Drone,
}

pub const PIECES: &[Piece] = &[
    Piece {
        name: "hymn on the organ",
        parts: &[(19, Part::Chords), (19, Part::Bass)],
        drums: false,
        beats_a_minute: (66.0, 96.0),
    },
    Piece {
        name: "choir",
        parts: &[(52, Part::Chords), (52, Part::Melody)],
        drums: false,
        beats_a_minute: (60.0, 84.0),
    },
    Piece {
        name: "piano",
        parts: &[(0, Part::Arpeggio), (0, Part::Melody)],
        drums: false,
        beats_a_minute: (60.0, 110.0),
    },
    Piece {
        name: "band",
        parts: &[(27, Part::Chords), (33, Part::Bass), (54, Part::Melody)],
        drums: true,
        beats_a_minute: (90.0, 140.0),
    },
    Piece {
        name: "strings",
        parts: &[(48, Part::Chords), (40, Part::Melody)],
        drums: false,
        beats_a_minute: (60.0, 90.0),
    },
    Piece {
        name: "synthesiser band",
        parts: &[(90, Part::Chords), (80, Part::Melody), (38, Part::Bass)],
        drums: true,
        beats_a_minute: (100.0, 140.0),
    },
    Piece {
        name: "brass",
        parts: &[(61, Part::Chords), (56, Part::Melody)],
        drums: false,
        beats_a_minute: (80.0, 120.0),
    },
    Piece { name: "guitar", parts: &[(24, Part::Arpeggio)], drums: false, beats_a_minute: (70.0, 110.0) },
    Piece {
        name: "flute and harp",
        parts: &[(46, Part::Arpeggio), (73, Part::Melody)],
        drums: false,
        beats_a_minute: (60.0, 100.0),
    },
    Piece {
        name: "organ pedal",
        parts: &[(19, Part::Drone), (16, Part::Chords)],
        drums: false,
        beats_a_minute: (50.0, 70.0),
    },
    Piece {
        name: "bells",
        parts: &[(14, Part::Melody), (9, Part::Arpeggio)],
        drums: false,
        beats_a_minute: (50.0, 80.0),
    },
    Piece {
        name: "rock band",
        parts: &[(29, Part::Chords), (34, Part::Bass), (30, Part::Melody)],
        drums: true,
        beats_a_minute: (110.0, 150.0),
    },
];

const SCALE: [i32; 7] = [0, 2, 4, 5, 7, 9, 11];

/// The file's bytes: about `seconds` of the piece.
pub fn file(piece: &Piece, seconds: f64, seed: u64) -> Vec<u8> {
    let mut rng = Rng::new(seed);
    let bpm = rng.between(piece.beats_a_minute.0, piece.beats_a_minute.1);
    let beats = (seconds * bpm / 60.0) as usize;
    let key = 55 + (rng.unit() * 10.0) as i32;
    // (tick, bytes); 480 ticks a quarter.
    let mut events: Vec<(u32, Vec<u8>)> = Vec::new();
    let note = |events: &mut Vec<(u32, Vec<u8>)>, ch: u8, pitch: i32, at: f64, beats: f64, vel: f64| {
        let pitch = pitch.clamp(24, 108) as u8;
        events.push(((at * 480.0) as u32, vec![0x90 | ch, pitch, vel.clamp(20.0, 120.0) as u8]));
        events.push((((at + beats) * 480.0) as u32 - 6, vec![0x80 | ch, pitch, 64]));
    };
    let degree = |d: i32| key + 12 * d.div_euclid(7) + SCALE[d.rem_euclid(7) as usize];
    for (ch, (program, _)) in piece.parts.iter().enumerate() {
        events.push((0, vec![0xc0 | ch as u8, *program]));
        events.push((0, vec![0xb0 | ch as u8, 10, (64.0 + rng.between(-30.0, 30.0)) as u8]));
    }
    let mut root = 0;
    for bar in 0..beats / 4 {
        root = if bar % 8 == 0 { 0 } else { [0, 3, 4, 5, 1][(rng.unit() * 5.0) as usize] };
        let at = (bar * 4) as f64;
        for (ch, (_, part)) in piece.parts.iter().enumerate() {
            let ch = ch as u8;
            match part {
                Part::Chords => {
                    for third in [0, 2, 4] {
                        let each = if piece.drums { 1.0 } else { 2.0 };
                        for i in 0..(4.0 / each) as usize {
                            note(
                                &mut events,
                                ch,
                                degree(root + third),
                                at + i as f64 * each,
                                each * 0.95,
                                rng.between(60.0, 85.0),
                            );
                        }
                    }
                }
                Part::Melody => {
                    let mut t = 0.0;
                    while t < 4.0 {
                        let length = [0.5, 1.0, 1.0, 2.0][(rng.unit() * 4.0) as usize];
                        let step = root + 7 + [0, 2, 4, 1, 5, -1][(rng.unit() * 6.0) as usize];
                        if rng.unit() < 0.85 {
                            note(
                                &mut events,
                                ch,
                                degree(step),
                                at + t,
                                f64::min(length, 4.0 - t) * 0.9,
                                rng.between(70.0, 105.0),
                            );
                        }
                        t += length;
                    }
                }
                Part::Bass => {
                    for i in 0..4 {
                        note(&mut events, ch, degree(root) - 24, at + f64::from(i), 0.9, rng.between(75.0, 95.0));
                    }
                }
                Part::Arpeggio => {
                    for i in 0..8 {
                        let d = root + [0, 4, 7, 9][i % 4];
                        note(&mut events, ch, degree(d) - 5, at + i as f64 * 0.5, 0.6, rng.between(55.0, 90.0));
                    }
                }
                Part::Drone => note(&mut events, ch, [31, 35, 33][bar / 4 % 3], at, 3.98, 80.0),
            }
        }
        if piece.drums {
            for i in 0..8 {
                let t = at + i as f64 * 0.5;
                note(&mut events, 9, 42, t, 0.2, rng.between(50.0, 80.0));
                if i % 4 == 0 {
                    note(&mut events, 9, 36, t, 0.2, rng.between(90.0, 115.0));
                }
                if i % 4 == 2 {
                    note(&mut events, 9, 38, t, 0.2, rng.between(85.0, 110.0));
                }
            }
        }
    }
    let _ = root;
    events.sort_by_key(|e| e.0);
    let mut track = vec![0, 0xff, 0x51, 3];
    track.extend(&((60e6 / bpm) as u32).to_be_bytes()[1..]);
    let mut last = 0;
    for (tick, bytes) in events {
        variable(&mut track, tick.saturating_sub(last));
        last = tick.max(last);
        track.extend(bytes);
    }
    track.extend([0, 0xff, 0x2f, 0]);
    let mut file = b"MThd\0\0\0\x06\0\0\0\x01\x01\xe0MTrk".to_vec();
    file.extend((track.len() as u32).to_be_bytes());
    file.extend(track);
    file
}

fn variable(out: &mut Vec<u8>, mut n: u32) {
    let mut bytes = vec![(n & 0x7f) as u8];
    while n > 0x7f {
        n >>= 7;
        bytes.push((n & 0x7f) as u8 | 0x80);
    }
    out.extend(bytes.iter().rev());
}
