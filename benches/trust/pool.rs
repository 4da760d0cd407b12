//! The voices, instruments and recordings that services are put together from; made once, kept in a cache outside
//! the repository. Each belongs to one half: `Tuned` (thresholds may be tried on it) or `Unseen`.

use super::midi::{self, PIECES};
use super::rng::Rng;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Half {
    Tuned,
    Unseen,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Speech,
    RealSpeech,
    Music,
    RealMusic,
    Applause,
}

#[derive(Debug, Clone)]
pub struct Clip {
    pub name: String,
    /// Program or package with its licence.
    pub from: &'static str,
    pub kind: Kind,
    pub half: Half,
    channels: usize,
    path: PathBuf,
}

impl Clip {
    /// Stereo at 48 kHz, at about -20 dBFS in its louder parts.
    pub fn read(&self) -> Vec<[f32; 2]> {
        let bytes = std::fs::read(&self.path).unwrap_or_default();
        let samples = bytes.as_chunks::<2>().0.iter().map(|b| f32::from(i16::from_le_bytes(*b)) / 32_768.0);
        let samples: Vec<f32> = samples.collect();
        let mut frames: Vec<[f32; 2]> =
            samples.chunks_exact(self.channels).map(|f| [f[0], f[self.channels - 1]]).collect();
        let mut powers: Vec<f32> = frames
            .chunks(4_800)
            .map(|c| c.iter().map(|f| f[0] * f[0] + f[1] * f[1]).sum::<f32>() / c.len() as f32)
            .collect();
        powers.sort_by(f32::total_cmp);
        let loud = powers.get(powers.len() * 8 / 10).copied().unwrap_or(0.0).max(1e-9);
        let gain = (2.0 * 0.01f32 / loud).sqrt();
        frames.iter_mut().for_each(|f| *f = f.map(|x| x * gain));
        frames
    }

    pub fn seconds(&self) -> f64 {
        std::fs::metadata(&self.path).map_or(0.0, |m| m.len() as f64 / (2 * self.channels) as f64 / 48_000.0)
    }
}

const SENTENCES: &[(&str, &[&str])] = &[
    (
        "en-gb",
        &[
            "Good morning and welcome to Larkfield Chapel.",
            "Please take a seat, we begin in a moment.",
            "The reading today is about a road by the river.",
            "There is tea and cake in the hall afterwards.",
            "Item four is the repair of the harbour wall.",
            "I would like to thank everybody who helped last week.",
            "Is there anyone who wishes to speak against the motion?",
            "Let us be still for a while.",
        ],
    ),
    (
        "en-us",
        &[
            "We will now hear from the parks committee.",
            "The budget for next year has been posted by the door.",
            "Children, please come to the front.",
            "Turn to the second page of the handout.",
            "That is a very good question, thank you.",
            "Six hundred people came to the summer fair.",
        ],
    ),
    (
        "de",
        &[
            "Guten Morgen und herzlich willkommen in unserem Haus.",
            "Wir kommen zum dritten Punkt der Tagesordnung.",
            "Die Kinder singen jetzt ein Lied für uns.",
            "Nach der Pause sprechen wir über den neuen Garten.",
            "Vielen Dank für Ihre Geduld.",
        ],
    ),
    (
        "fr-fr",
        &[
            "Bonjour à tous et bienvenue dans notre salle.",
            "Nous passons maintenant au point suivant.",
            "La lecture de ce matin parle d'un long voyage.",
            "Les enfants ont préparé une petite chanson.",
            "Merci beaucoup pour votre attention.",
        ],
    ),
    (
        "es",
        &[
            "Buenos días y bienvenidos a nuestra casa.",
            "Pasamos ahora al siguiente punto del día.",
            "La lectura de hoy habla de un camino junto al río.",
            "Después habrá café y dulces en la sala.",
            "Muchas gracias por haber venido.",
        ],
    ),
    (
        "it",
        &[
            "Buongiorno a tutti e benvenuti nella nostra sala.",
            "Passiamo adesso al prossimo punto.",
            "Oggi leggiamo una storia di mare e di montagna.",
            "Dopo ci sarà il caffè per tutti.",
            "Grazie della vostra attenzione.",
        ],
    ),
    (
        "nl",
        &[
            "Goedemorgen en hartelijk welkom in onze zaal.",
            "Wij gaan nu naar het volgende punt.",
            "De kinderen hebben een lied voorbereid.",
            "Straks is er koffie met taart.",
            "Dank u wel voor uw geduld.",
        ],
    ),
    (
        "sv",
        &[
            "God morgon och varmt välkomna till vår sal.",
            "Nu går vi vidare till nästa punkt.",
            "Barnen ska sjunga en sång för oss.",
            "Efteråt finns det kaffe och kakor.",
        ],
    ),
    (
        "pl",
        &[
            "Dzień dobry i serdecznie witamy w naszej sali.",
            "Przechodzimy do następnego punktu.",
            "Dzieci przygotowały dla nas piosenkę.",
            "Po spotkaniu zapraszamy na herbatę.",
        ],
    ),
    (
        "pt",
        &[
            "Bom dia e sejam bem-vindos à nossa sala.",
            "Passamos agora ao ponto seguinte.",
            "As crianças prepararam uma canção.",
            "Depois haverá café para todos.",
        ],
    ),
    (
        "fi",
        &[
            "Hyvää huomenta ja tervetuloa saliimme.",
            "Siirrymme seuraavaan kohtaan.",
            "Lapset laulavat meille laulun.",
            "Lopuksi juomme kahvia yhdessä.",
        ],
    ),
];

/// Recordings: directory, ending, what they are, package and licence, kind, channels.
const REAL: &[(&str, &str, &str, Kind, usize)] = &[
    ("/usr/share/games/singularity/music", "ogg", "singularity-music (GPL-2+, CC)", Kind::RealMusic, 2),
    ("/usr/share/games/fillets-ng/music", "ogg", "fillets-ng-data (GPL-2)", Kind::RealMusic, 2),
    ("/usr/share/games/wesnoth/1.16/data/core/music", "ogg", "wesnoth-1.16-music (GPL-2+)", Kind::RealMusic, 2),
    ("/usr/share/asterisk/moh", "g722", "asterisk-moh-opsound-g722 (CC-BY-SA)", Kind::RealMusic, 1),
    ("/usr/share/games/frozen-bubble/snd/applause.ogg", "ogg", "frozen-bubble-data (GPL-2)", Kind::Applause, 2),
];
const REAL_SPEECH: &[(&str, &str, &str)] = &[
    ("/usr/share/asterisk/sounds/en_US_f_Allison", "g722", "asterisk-core-sounds-en-g722 (CC-BY-SA)"),
    ("/usr/share/asterisk/sounds/fr_CA_f_June", "g722", "asterisk-core-sounds-fr-g722 (CC-BY-SA)"),
    ("/usr/share/asterisk/sounds/es_MX_f_Allison", "g722", "asterisk-core-sounds-es-g722 (CC-BY-SA)"),
    ("/usr/share/asterisk/sounds/it_IT_f_Carlotta", "g722", "asterisk-core-sounds-it-g722 (CC-BY-SA)"),
    ("/usr/share/asterisk/sounds/it_IT_m_Carlo", "g722", "asterisk-core-sounds-it-g722 (CC-BY-SA)"),
    ("/usr/share/asterisk/sounds/ru_RU_f_IvrvoiceRU", "g722", "asterisk-core-sounds-ru-g722 (CC-BY-SA)"),
    ("/usr/share/games/fillets-ng/sound", "ogg", "fillets-ng-data-cs, -nl (GPL-2)"),
];
/// Short recordings taken from one package at most.
const MOST_SHORT: usize = 1_500;
/// Short recordings are put together to clips of about this length, seconds.
const CLIP_SECONDS: f64 = 90.0;

/// Everything that this machine can make or has, in a stable order.
pub fn fill(cache: &Path) -> Vec<Clip> {
    std::fs::create_dir_all(cache).expect("the cache directory can be made");
    let mut clips = Vec::new();
    speech(cache, &mut clips);
    music(cache, &mut clips);
    recordings(cache, &mut clips);
    clips.retain(|c| c.seconds() > 3.0);
    clips
}

fn half(i: usize) -> Half {
    if i.is_multiple_of(2) { Half::Tuned } else { Half::Unseen }
}

fn run(program: &str, args: &[&str]) -> bool {
    let status =
        Command::new(program).args(args).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status();
    status.is_ok_and(|s| s.success())
}

/// Any sound file to 16-bit PCM at 48 kHz, once.
fn to_pcm(from: &Path, to: &Path, channels: usize, more: &[&str]) -> bool {
    let (from, to) = (from.to_string_lossy(), to.to_string_lossy());
    let mut args = vec!["-nostdin", "-v", "quiet", "-y"];
    args.extend(more);
    let channels = channels.to_string();
    args.extend(["-i", &from, "-f", "s16le", "-ar", "48000", "-ac", &channels, &to]);
    run("ffmpeg", &args)
}

fn speech(cache: &Path, clips: &mut Vec<Clip>) {
    let mut i = 0;
    for (language, sentences) in SENTENCES {
        for variant in ["", "+f2", "+m3", "+f4", "+m7", "+croak"] {
            let mut rng = Rng::new(1_000 + i as u64);
            let text: Vec<&str> = (0..22).map(|_| *rng.pick(sentences)).collect();
            let voice = format!("{language}{variant}");
            let (speed, pitch) = (rng.between(125.0, 175.0) as u32, rng.between(30.0, 70.0) as u32);
            let path = cache.join(format!("espeak-{voice}-{i}.pcm"));
            if !path.exists() {
                let wav = path.with_extension("wav");
                let (speed, pitch) = (speed.to_string(), pitch.to_string());
                let text = text.join("\n\n");
                run("espeak-ng", &["-v", &voice, "-s", &speed, "-p", &pitch, "-w", &wav.to_string_lossy(), &text]);
                to_pcm(&wav, &path, 1, &[]);
                let _ = std::fs::remove_file(wav);
            }
            clips.push(Clip {
                name: format!("espeak-ng {voice}"),
                from: "espeak-ng",
                kind: Kind::Speech,
                half: half(i),
                channels: 1,
                path,
            });
            i += 1;
        }
    }
    for voice in ["kal16", "awb", "rms", "slt"] {
        for n in 0..3 {
            let mut rng = Rng::new(2_000 + i as u64);
            let text: Vec<&str> = (0..22).map(|_| *rng.pick(SENTENCES[n % 2].1)).collect();
            let path = cache.join(format!("flite-{voice}-{n}.pcm"));
            if !path.exists() {
                let wav = path.with_extension("wav");
                run("flite", &["-voice", voice, "-t", &text.join(" "), "-o", &wav.to_string_lossy()]);
                to_pcm(&wav, &path, 1, &[]);
                let _ = std::fs::remove_file(wav);
            }
            clips.push(Clip {
                name: format!("flite {voice} {n}"),
                from: "flite",
                kind: Kind::Speech,
                half: half(i),
                channels: 1,
                path,
            });
            i += 1;
        }
    }
}

fn music(cache: &Path, clips: &mut Vec<Clip>) {
    let font = "/usr/share/sounds/sf2/FluidR3_GM.sf2";
    for n in 0..2 * PIECES.len() {
        let piece = &PIECES[n % PIECES.len()];
        let path = cache.join(format!("fluid-{n}.pcm"));
        if !path.exists() {
            let mid = path.with_extension("mid");
            let wav = path.with_extension("wav");
            std::fs::write(&mid, midi::file(piece, 100.0, 3_000 + n as u64)).expect("the cache takes a file");
            let (mid_, wav_) = (mid.to_string_lossy(), wav.to_string_lossy());
            run("fluidsynth", &["-ni", "-q", "-g", "0.5", "-r", "48000", "-F", &wav_, font, &mid_]);
            to_pcm(&wav, &path, 2, &[]);
            let _ = std::fs::remove_file(&wav);
        }
        let half = if n < PIECES.len() { Half::Tuned } else { Half::Unseen };
        clips.push(Clip {
            name: format!("fluidsynth {} {n}", piece.name),
            from: "fluidsynth, FluidR3 (MIT)",
            kind: Kind::Music,
            half,
            channels: 2,
            path,
        });
    }
}

fn files(dir: &Path, ending: &str, out: &mut Vec<PathBuf>) {
    if dir.is_file() {
        return out.push(dir.into());
    }
    let Ok(entries) = std::fs::read_dir(dir) else { return };
    let mut entries: Vec<PathBuf> = entries.flatten().map(|e| e.path()).collect();
    entries.sort();
    for e in entries {
        if e.is_dir() {
            files(&e, ending, out);
        } else if e.extension().is_some_and(|x| x == ending) {
            out.push(e);
        }
    }
}

fn recordings(cache: &Path, clips: &mut Vec<Clip>) {
    for (dir, ending, from, kind, channels) in REAL {
        let mut all = Vec::new();
        files(Path::new(dir), ending, &mut all);
        for (n, file) in all.iter().enumerate() {
            let stem = file.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            if stem == "silence" {
                continue;
            }
            let path = cache.join(format!("real-{}-{stem}.pcm", &from[..6]));
            if !path.exists() {
                let more: &[&str] = if *ending == "g722" { &["-f", "g722"] } else { &[] };
                to_pcm(file, &path, *channels, more);
            }
            clips.push(Clip {
                name: format!("{from} {stem}"),
                from,
                kind: *kind,
                half: half(n),
                channels: *channels,
                path,
            });
        }
    }
    for (dir, ending, from) in REAL_SPEECH {
        let mut all = Vec::new();
        files(Path::new(dir), ending, &mut all);
        all.truncate(MOST_SHORT);
        let stem = Path::new(dir).file_name().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let done = cache.join(format!("speech-{stem}.done"));
        if !done.exists() && !all.is_empty() {
            join(cache, &stem, ending, &all);
            std::fs::write(&done, "").expect("the cache takes a file");
        }
        for n in 0.. {
            let path = cache.join(format!("speech-{stem}-{n}.pcm"));
            if !path.exists() {
                break;
            }
            clips.push(Clip {
                name: format!("{from} {stem} {n}"),
                from,
                kind: Kind::RealSpeech,
                half: half(n),
                channels: 1,
                path,
            });
        }
    }
}

/// 10 ms in and out: what was cut off in the middle of a room's noise begins and ends with a click.
fn fade(bytes: &mut [u8]) {
    const FRAMES: usize = 480;
    let samples = bytes.as_chunks_mut::<2>().0;
    let n = samples.len();
    for i in 0..FRAMES.min(n) {
        for at in [i, n - 1 - i] {
            let x = i32::from(i16::from_le_bytes(samples[at])) * i as i32 / FRAMES as i32;
            samples[at] = (x as i16).to_le_bytes();
        }
    }
}

/// Puts short recordings together, half a second of nothing between them.
fn join(cache: &Path, stem: &str, ending: &str, all: &[PathBuf]) {
    let one = cache.join("one.pcm");
    let (mut n, mut bytes) = (0, Vec::new());
    for (i, file) in all.iter().enumerate() {
        let more: &[&str] = if ending == "g722" { &["-f", "g722"] } else { &[] };
        if to_pcm(file, &one, 1, more) {
            let mut fresh = std::fs::read(&one).unwrap_or_default();
            // Beeps and music on hold are not speech; neither are snippets.
            if fresh.len() > 96_000 {
                fade(&mut fresh);
                bytes.extend(fresh);
                bytes.extend(vec![0; 48_000]);
            }
        }
        if bytes.len() as f64 > CLIP_SECONDS * 96_000.0 || (i + 1 == all.len() && bytes.len() > 960_000) {
            std::fs::write(cache.join(format!("speech-{stem}-{n}.pcm")), &bytes).expect("the cache takes a file");
            bytes.clear();
            n += 1;
        }
    }
    let _ = std::fs::remove_file(one);
}
