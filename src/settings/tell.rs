//! Sections `[tell]` and `[tell.CHANNEL]`: how notices reach the people who are not at the page.

use super::problem::Problem;
use super::reader::{Report, Section};
use crate::judge::roster::ROSTER;
use crate::ledger::notice::SEVERITIES;
use crate::tell::{CHANNELS, MailSecurity, Manners, SECRET_FORMS, SecretPlace, TellSettings, WebhookBody, is_address};
use std::path::PathBuf;
use toml::de::DeTable;

/// What stands above each channel in the defaults.
const ABOUT: [(&str, &str); 4] = [
    (
        "desktop",
        "Notices on this computer's desktop, without a sound (only where the program runs in the desktop's session).",
    ),
    ("webhook", "Notices by HTTP POST."),
    ("mail", "Notices by e-mail: a conversation a warning, a mail a review."),
    ("mqtt", "Notices to an MQTT broker; where each alert stands is retained there."),
];

pub(super) fn read_tell<'t>(report: &mut Report, text: &'t str, root: &'t DeTable<'t>) -> TellSettings {
    let d = TellSettings::default();
    let mut s = Section::new(
        report,
        text,
        root,
        "tell",
        "Notices for the people who are not at the page. Each way is off until it is set; try it with `mixwarden notice --test NAME`.\n\
         A secret is never written here, only where it is: \"file:/PATH\", \"env:NAME\" or \"credential:NAME\" (LoadCredential=).",
    );
    let page =
        s.text("page", &d.page, "address of the page as the readers of notices reach it; empty: none is told", |_| {
            Ok(())
        });
    s.finish(&CHANNELS);
    let mut settings = TellSettings { page, ..d };

    let mut s = section(report, text, root, "desktop");
    settings.desktop.manners = manners(&mut s, &settings.desktop.manners);
    s.finish(&[]);

    let mut s = section(report, text, root, "webhook");
    let webhook = &mut settings.webhook;
    webhook.manners = manners(&mut s, &webhook.manners);
    webhook.url_from = place(&mut s, "url_from", "where the address is: it may be a secret");
    let body = s.text(
        "body",
        "json",
        "\"json\": the whole notice; \"chat\": one text, as chat services' incoming webhooks take it",
        one_of(&["json", "chat"]),
    );
    let key = s.text("chat_key", "text", "name of the text in a chat body", |k| {
        if k.is_empty() { Err("a name, such as \"text\"".into()) } else { Ok(()) }
    });
    webhook.body = if body == "chat" { WebhookBody::Chat(key) } else { WebhookBody::Json };
    webhook.key_from = place(&mut s, "key_from", "where the key is that signs the body (HMAC-SHA256)");
    webhook.ca_file =
        file(&mut s, "ca_file", "certificates (PEM) to trust in place of the usual ones; empty: the usual ones");
    s.finish(&[]);

    let mut s = section(report, text, root, "mail");
    let mail = &mut settings.mail;
    mail.manners = manners(&mut s, &mail.manners);
    mail.host = s.text("host", &mail.host, "the mail server's name", |_| Ok(()));
    mail.port = port(&mut s, mail.port);
    mail.security = match s
        .text(
            "security",
            "starttls",
            "\"starttls\" (port 587), \"tls\" (port 465), \"none\" (a server on this computer only)",
            one_of(&["starttls", "tls", "none"]),
        )
        .as_str()
    {
        "tls" => MailSecurity::Tls,
        "none" => MailSecurity::None,
        _ => MailSecurity::StartTls,
    };
    mail.ca_file = file(&mut s, "ca_file", "certificates (PEM) to trust besides the usual ones; empty: the usual ones");
    mail.user = s.text("user", &mail.user, "account; empty: without logging in", |_| Ok(()));
    mail.password_from = place(&mut s, "password_from", "where the account's password is");
    let address = |a: &str| {
        if a.is_empty() || is_address(a) { Ok(()) } else { Err("a mail address, such as \"booth@example.org\"".into()) }
    };
    mail.from = s.text("from", &mail.from, "the sender's address", address);
    mail.to = s.texts("to", "the readers' addresses", |a| address(a).map(|()| a.to_string()));
    s.finish(&[]);

    let mut s = section(report, text, root, "mqtt");
    let mqtt = &mut settings.mqtt;
    mqtt.manners = manners(&mut s, &mqtt.manners);
    mqtt.host = s.text("host", &mqtt.host, "the broker's name", |_| Ok(()));
    mqtt.port = port(&mut s, mqtt.port);
    mqtt.tls = s.switch("tls", mqtt.tls, "TLS (port 8883)");
    let usual = mqtt.ca_file.display().to_string();
    mqtt.ca_file = s.text("ca_file", &usual, "certificates (PEM) to trust", |_| Ok(())).into();
    mqtt.user = s.text("user", &mqtt.user, "account; empty: without logging in", |_| Ok(()));
    mqtt.password_from = place(&mut s, "password_from", "where the account's password is");
    let level = |t: &str| {
        if t.contains(['#', '+']) || t.starts_with('/') {
            Err("topic levels without #, + or a leading /".into())
        } else {
            Ok(())
        }
    };
    mqtt.prefix = s.text("prefix", &mqtt.prefix, "first part of every topic", level);
    mqtt.name = s.text("name", &mqtt.name, "the venue's part of every topic; empty: made from the venue's name", level);
    s.finish(&[]);

    for (key, sentence) in settings.check() {
        if !report.problems.iter().any(|p| p.key == key) {
            report.problems.push(Problem { line: 0, key: key.into(), sentence });
        }
    }
    settings
}

fn section<'r, 't>(report: &'r mut Report, text: &'t str, root: &'t DeTable<'t>, name: &str) -> Section<'r, 't> {
    let about = ABOUT.iter().find(|(n, _)| *n == name).map_or("", |(_, about)| about);
    Section::new(report, text, root, &format!("tell.{name}"), about)
}

fn manners(s: &mut Section<'_, '_>, default: &Manners) -> Manners {
    let mut known: Vec<&str> = SEVERITIES.iter().map(|s| s.name()).chain(["acknowledged", "review"]).collect();
    known.extend(ROSTER.iter().map(|l| l.name));
    let quiet: Vec<&str> = default.quiet.iter().map(String::as_str).collect();
    Manners {
        enabled: s.switch("enabled", default.enabled, "tell this way"),
        quiet: s.texts_or(
            "quiet",
            &quiet,
            "not told: names of conditions, \"note\", \"advice\", \"warning\", \"acknowledged\", \"review\"",
            |q| {
                if known.contains(&q) { Ok(q.to_string()) } else { Err(format!("one of {}", known.join(", "))) }
            },
        ),
        only_in_services: s.switch("only_in_services", default.only_in_services, "tell only what happens in a service"),
        most_an_hour: s.number(
            "most_an_hour",
            default.most_an_hour.into(),
            1.0,
            600.0,
            "new warnings told in an hour at most; the others are counted in the next",
        ) as u32,
    }
}

fn place(s: &mut Section<'_, '_>, key: &'static str, doc: &str) -> SecretPlace {
    let doc = format!("{doc}; {SECRET_FORMS}");
    let found = s.secret_text(key, &doc, |p| SecretPlace::parse(p).map(drop));
    SecretPlace::parse(&found).unwrap_or_default()
}

fn file(s: &mut Section<'_, '_>, key: &'static str, doc: &str) -> Option<PathBuf> {
    let path = s.text(key, "", doc, |_| Ok(()));
    (!path.is_empty()).then(|| path.into())
}

fn port(s: &mut Section<'_, '_>, default: u16) -> u16 {
    s.number("port", default.into(), 1.0, 65_535.0, "its port") as u16
}

fn one_of<'a>(names: &'a [&'a str]) -> impl Fn(&str) -> Result<(), String> + 'a {
    move |found| if names.contains(&found) { Ok(()) } else { Err(format!("one of {}", names.join(", "))) }
}

#[cfg(test)]
mod tests {
    use crate::settings::{Settings, parse};

    fn problems(text: &str) -> String {
        parse(text).unwrap_err().iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
    }

    #[test]
    fn everything_is_off_by_default_and_a_full_section_is_read() {
        let tell = Settings::default().tell;
        assert!(
            !(tell.desktop.manners.enabled
                || tell.webhook.manners.enabled
                || tell.mail.manners.enabled
                || tell.mqtt.manners.enabled)
        );
        let text = "[tell]\npage = \"http://booth:8391/\"\n[tell.mail]\nenabled = true\nhost = \"mail.example\"\nuser = \"booth\"\n\
                    password_from = \"env:BOOTH_MAIL\"\nfrom = \"booth@larkfield.example\"\nto = [\"sound@larkfield.example\"]\nquiet = [\"hum\", \"note\"]\n";
        let text = text.replace("\"hum\"", &format!("{:?}", crate::judge::ROSTER[0].name));
        let tell = parse(&text).unwrap().tell;
        assert_eq!(
            (tell.mail.to.len(), tell.mail.manners.quiet.len(), tell.page.as_str()),
            (1, 2, "http://booth:8391/")
        );
    }

    #[test]
    fn mistakes_are_told_all_at_once_and_a_secret_is_not_repeated() {
        let told = problems(
            "[tell.webhook]\nenabled = true\nurl_from = \"https://chat.example/T0/s3cret\"\nquiet = [\"humm\"]\n[tell.mail]\nenabled = true\nto = [\"nobody\"]\n",
        );
        assert!(!told.contains("s3cret"), "{told}");
        for want in [
            "line 3: tell.webhook.url_from: ",
            "line 4: tell.webhook.quiet: \"humm\" was found; give one of note, advice",
            "tell.mail.host: is not set",
            "tell.mail.from: is no mail address",
            "line 7: tell.mail.to: \"nobody\" was found",
        ] {
            assert!(told.contains(want), "{want} is not in\n{told}");
        }
    }
}
