//! The booth page in a real browser: calm and dim, then a fault that nobody can overlook, what to check, the button,
//! and the word that contact is lost. Figures: ISO 9241-303 (size), WCAG 2.2 (contrast, size of targets, focus).
#![allow(clippy::unwrap_used)] // a test may fall where it stands

mod booth;

use booth::browser::{Browser, Picture};
use booth::{Daemon, mixwarden, signal, wait};
use std::path::Path;
use std::time::Instant;

const TAB: &str = "\u{E004}";
const ENTER: &str = "\u{E007}";

/// The rehearsal from a second of its script on. At less than the pace of time a fault lasts long enough to be looked
/// at: the one at 130 s (exact zeros for 12 s) stands from 134 to 142.
fn rehearsal(from: &str, speed: &str) -> Daemon {
    Daemon::start(mixwarden().args(["rehearse", "--from", from, "--speed", speed]))
}

fn calm(browser: &Browser, daemon: &Daemon) {
    browser.resize(1280, 800);
    browser.go(&daemon.address);
    browser.until(
        "the calm page",
        "return document.body.dataset.mood === 'calm' && !!document.querySelector('#thread svg path')",
    );
}

const WARNED: &str = "return document.body.dataset.mood === 'warning'";

/// Height of capitals of an element's font, CSS pixels.
fn capitals(browser: &Browser, selector: &str) -> f64 {
    let script = format!(
        "const s = getComputedStyle(document.querySelector('{selector}')); const c = document.createElement('canvas').getContext('2d');
         c.font = s.fontWeight + ' ' + s.fontSize + ' ' + s.fontFamily; return c.measureText('H').actualBoundingBoxAscent"
    );
    browser.run(&script).as_f64().unwrap()
}

/// Whether all of an element is within the window.
fn in_view(browser: &Browser, selector: &str) -> bool {
    let script = format!(
        "const r = document.querySelector('{selector}').getBoundingClientRect();
         return r.top >= 0 && r.left >= 0 && r.bottom <= innerHeight && r.right <= innerWidth && r.height > 0"
    );
    browser.run(&script) == true
}

/// With BLESS=1 the README's picture is made anew.
fn keep(picture: &Picture, name: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/pictures").join(name);
    if std::env::var_os("BLESS").is_some() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, &picture.png).unwrap();
    }
    assert!(picture.png.len() < 120_000, "{name}: {} bytes", picture.png.len());
}

#[test]
fn a_fault_shows_at_a_glance_is_acknowledged_by_keyboard_and_contact_lost_is_said() {
    let mut daemon = rehearsal("129", "0.4");
    let browser = Browser::open(true);
    calm(&browser, &daemon);
    let quiet = browser.picture();
    eprintln!("calm: mean luminance {:.4}", quiet.luminance());
    keep(&quiet, "page-calm.png");
    assert!(quiet.luminance() <= 0.03, "the calm page is too light: {}", quiet.luminance());
    assert!(quiet.green() < 0.0001);
    assert!(in_view(&browser, ".said") && in_view(&browser, "#thread svg"));
    assert!(capitals(&browser, ".said") >= 73.0, "{}", capitals(&browser, ".said"));

    browser.until("the warning", WARNED);
    let loud = browser.picture();
    eprintln!("warning: mean luminance {:.3}, changed {:.3}", loud.luminance(), loud.changed(&quiet));
    keep(&loud, "page-warning.png");
    assert!(loud.changed(&quiet) >= 0.25, "only {} of the picture changed", loud.changed(&quiet));
    assert!(loud.green() < 0.0001);
    for part in [".said", ".checks li:nth-child(1)", ".checks li:nth-child(2)", ".checks li:nth-child(3)", "#seen"] {
        assert!(in_view(&browser, part), "{part} is not in the window of 1280x800");
    }
    assert!(capitals(&browser, ".said") >= 73.0, "{}", capitals(&browser, ".said"));
    let said = browser.find(".said").text();
    assert_eq!(browser.run("return document.getElementById('assertive').textContent"), said.as_str());
    assert_eq!(browser.find("#seen").role(), "button");

    // By keyboard alone: the button is the first stop, its focus is seen.
    browser.press(TAB);
    assert_eq!(browser.focused().attribute("id"), "seen");
    let outline = browser.run("const s = getComputedStyle(document.activeElement); return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 3");
    assert_eq!(outline, true, "the focus cannot be seen");
    browser.press(ENTER);
    browser.until("the page's word that it was seen", "return !!document.querySelector('.seen')");
    assert!(daemon.now()["alerts"][0]["acknowledged_seconds"].is_f64());
    browser.until("the calm page again", "return document.body.dataset.mood === 'calm'");

    // The program stands still: the page says so, and shows no old number.
    let lost = "return document.body.dataset.mood === 'lost' && document.querySelector('.said').textContent.includes('contact')";
    signal(daemon.id(), "STOP");
    let began = Instant::now();
    browser.until("the loss of contact", lost);
    let seconds = began.elapsed().as_secs_f64();
    eprintln!("contact lost: said after {seconds:.1} s");
    // The page's own timer runs in the browser; 3 s is the job's figure, a busy machine is given one more.
    assert!(seconds <= 4.0, "said after {seconds:.1} s");
    assert_eq!(browser.run("return document.querySelector('#thread').checkVisibility() || document.querySelector('#figures').checkVisibility()"), false);
    signal(daemon.id(), "CONT");
    browser.until("contact", "return document.body.dataset.mood !== 'lost'");
    daemon.stop("KILL");
    browser.until("the loss of contact", lost);
}

#[test]
fn the_pointer_works_too_and_nothing_is_asked_of_other_hosts() {
    let daemon = rehearsal("129", "0.4");
    let browser = Browser::open(true);
    calm(&browser, &daemon);
    browser.until("the warning", WARNED);
    let size =
        browser.run("const r = document.getElementById('seen').getBoundingClientRect(); return [r.width, r.height]");
    assert!(size[0].as_f64().unwrap() >= 44.0 && size[1].as_f64().unwrap() >= 44.0, "{size}");
    browser.find("#seen").click();
    wait("the acknowledgement", || daemon.now()["alerts"][0]["acknowledged_seconds"].is_f64().then_some(()));
    let requests = browser.requests();
    assert!(requests.len() >= 4, "{requests:?}");
    // The browser's own first page is not ours.
    for url in requests.iter().filter(|u| !u.starts_with("chrome:") && !u.starts_with("data:")) {
        assert!(url.starts_with(&daemon.address), "asked of another host: {url}");
    }
    let bytes: usize = ["", "booth.css", "booth.js"].iter().map(|p| daemon.get(p).1.len()).sum();
    eprintln!("the page in all: {bytes} bytes");
    assert!(bytes < 60_000, "{bytes} bytes");
}

#[test]
fn phone_and_tablet_need_no_sideways_scrolling() {
    let daemon = rehearsal("129", "0.4");
    let browser = Browser::open(true);
    calm(&browser, &daemon);
    for mood in ["calm", "warning"] {
        browser.until(mood, &format!("return document.body.dataset.mood === '{mood}'"));
        for (width, height) in [(390, 844), (820, 1180), (1024, 768), (1280, 800), (1920, 1080)] {
            browser.resize(width, height);
            let wide = browser.run("return document.documentElement.scrollWidth");
            assert!(wide.as_u64().unwrap() <= u64::from(width), "{mood}, {width}x{height}: {wide} wide");
            assert!(in_view(&browser, ".said"), "{mood}, {width}x{height}");
            if width >= 1024 {
                assert!(
                    capitals(&browser, ".said") >= 73.0,
                    "{mood}, {width}x{height}: {}",
                    capitals(&browser, ".said")
                );
            }
            if mood == "warning" {
                assert!(in_view(&browser, "#seen"), "{width}x{height}: the button is out of the window");
            }
            if let Some(dir) = std::env::var_os("PICTURES") {
                std::fs::write(Path::new(&dir).join(format!("{mood}-{width}.png")), browser.picture().png).unwrap();
            }
        }
    }
}

#[test]
fn without_scripts_it_is_readable_and_the_button_works() {
    let daemon = rehearsal("133", "0.4");
    let browser = Browser::open(false);
    wait("the warning", || {
        browser.go(&daemon.address);
        (browser.find("body").attribute("data-mood") == "warning").then_some(())
    });
    assert_eq!(browser.find(".said").text(), "The room hears sound, the stream hears nothing.");
    assert_eq!(browser.find(".checks li:nth-child(3)").role(), "listitem");
    browser.find("#seen").click();
    wait("the acknowledgement", || daemon.now()["alerts"][0]["acknowledged_seconds"].is_f64().then_some(()));
    wait("its word on the page", || browser.find("#state").text().contains("Seen").then_some(()));
}

#[test]
fn assistive_technology_and_those_who_want_no_motion_are_served() {
    let daemon = rehearsal("129", "0.4");
    let browser = Browser::open(true);
    browser.prefer("prefers-reduced-motion", "reduce");
    calm(&browser, &daemon);
    assert_eq!(browser.find("html").attribute("lang"), "en");
    assert_eq!(browser.find("main").role(), "main");
    assert_eq!(browser.find("h1").role(), "heading");
    assert_eq!(browser.find("#state").label(), "State of the stream");
    assert_eq!(browser.find("#thread svg").role(), "image");
    assert!(browser.find("#thread svg").label().contains("target"));
    let live = |id: &str| browser.find(id).attribute("aria-live");
    assert_eq!((live("#polite").as_str(), live("#assertive").as_str()), ("polite", "assertive"));
    assert_eq!(browser.run("return document.getElementById('polite').textContent"), "All is well.");
    browser.until("the warning", WARNED);
    assert_eq!(browser.find("#seen").label(), "Seen, we're checking");
    // The words change each second; the button stays the same one, or a press between would be lost.
    browser.run("window.button = document.getElementById('seen'); window.words = document.querySelector('.since').textContent; return 0");
    browser.until("other words", "return document.querySelector('.since').textContent !== window.words");
    assert_eq!(browser.run("return window.button === document.getElementById('seen')"), true);
    // Stops of the Tab key, in the order of the page: the button, the two that unfold, the list before a service, the past ones.
    let mut stops = Vec::new();
    for _ in 0..5 {
        browser.press(TAB);
        stops.push(browser.focused().text());
    }
    assert_eq!(
        stops,
        ["Seen, we're checking", "The stream beside the room", "Figures", "Before a service", "Past services"]
    );
    assert_eq!(browser.run("return document.getAnimations().length"), 0);
    // Contrast of all text against what is behind it (WCAG 2.2, 1.4.3 and 1.4.6).
    for (selector, least) in
        [(".said", 7.0), (".since", 4.5), (".checks li", 4.5), ("#seen", 4.5), ("figcaption", 4.5), ("summary", 4.5)]
    {
        let contrast = browser.run(&CONTRAST.replace("SELECTOR", selector)).as_f64().unwrap();
        assert!(contrast >= least, "{selector}: contrast {contrast:.1}");
    }
}

/// Contrast ratio of an element's text and the nearest background behind it (WCAG 2.2, "contrast ratio").
const CONTRAST: &str = r"
    const e = document.querySelector('SELECTOR');
    let b = e; while (b && getComputedStyle(b).backgroundColor === 'rgba(0, 0, 0, 0)') b = b.parentElement;
    const light = (c) => { const [r, g, x] = c.match(/[\d.]+/g).slice(0, 3).map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
      return 0.2126 * r + 0.7152 * g + 0.0722 * x; };
    const [p, q] = [light(getComputedStyle(e).color), light(getComputedStyle(b).backgroundColor)];
    return (Math.max(p, q) + 0.05) / (Math.min(p, q) + 0.05);";
