//! Notices by e-mail, over SMTP with STARTTLS (RFC 3207) or TLS. One conversation an alert, by `References`.
//!
//! The `Message-ID` is the same for every try of one notice, so that a server whose answer was lost can tell the
//! second copy (RFC 5322 3.6.4). `Auto-Submitted` keeps holiday answers away (RFC 3834 5).

use super::gate::Manners;
use super::queue::{Channel, Miss};
use super::secret::SecretPlace;
use crate::ledger::{Notice, NoticeStep};
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, Message};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::{SmtpTransport, Transport};
use std::path::PathBuf;
use std::time::{Duration, UNIX_EPOCH};

/// Time for one answer of the server, seconds (own choice).
const ANSWER_SECONDS: u64 = 20;

/// How the line to the server is protected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailSecurity {
    /// Plain at first, then TLS; never without (port 587).
    StartTls,
    /// TLS from the first byte (port 465).
    Tls,
    /// None: a mail server on this computer only.
    None,
}

/// Section `[tell.mail]`.
#[derive(Debug, Clone, PartialEq)]
pub struct MailSettings {
    /// What is told and how often.
    pub manners: Manners,
    /// The server.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How the line is protected.
    pub security: MailSecurity,
    /// Certificates (PEM) to trust besides the usual ones.
    pub ca_file: Option<PathBuf>,
    /// Account; empty: without logging in.
    pub user: String,
    /// Where its password is.
    pub password_from: SecretPlace,
    /// The sender's address.
    pub from: String,
    /// The readers' addresses.
    pub to: Vec<String>,
}

impl Default for MailSettings {
    fn default() -> Self {
        Self {
            manners: Manners::quiet_on(&["note", "advice", "acknowledged"]),
            host: String::new(),
            port: 587,
            security: MailSecurity::StartTls,
            ca_file: None,
            user: String::new(),
            password_from: SecretPlace::None,
            from: String::new(),
            to: Vec::new(),
        }
    }
}

/// Whether `text` is an address that mail can be sent to.
pub fn is_address(text: &str) -> bool {
    text.parse::<Mailbox>().is_ok()
}

/// A mail server.
pub(super) struct Mail {
    settings: MailSettings,
    link: String,
}

impl Mail {
    pub(super) fn new(settings: MailSettings, link: &str) -> Self {
        Self { settings, link: link.into() }
    }

    fn transport(&self) -> Result<SmtpTransport, String> {
        let s = &self.settings;
        let tls = || -> Result<TlsParameters, String> {
            let mut parameters = TlsParameters::builder(s.host.clone());
            if let Some(path) = &s.ca_file {
                let pem = std::fs::read(path)
                    .map_err(|e| format!("{}: the certificates cannot be read ({})", path.display(), e.kind()))?;
                let certificate = Certificate::from_pem(&pem)
                    .map_err(|_| format!("{}: holds no certificate; give a PEM file", path.display()))?;
                parameters = parameters.add_root_certificate(certificate);
            }
            parameters.build().map_err(|e| format!("the mail server's TLS cannot be set up: {e}"))
        };
        let mut builder = SmtpTransport::builder_dangerous(&s.host)
            .port(s.port)
            .timeout(Some(Duration::from_secs(ANSWER_SECONDS)))
            .tls(match s.security {
                MailSecurity::StartTls => Tls::Required(tls()?),
                MailSecurity::Tls => Tls::Wrapper(tls()?),
                MailSecurity::None => Tls::None,
            });
        if !s.user.is_empty() {
            let password = s.password_from.fetch()?.ok_or("no password_from is set for the mail account")?;
            builder = builder.credentials(Credentials::new(s.user.clone(), password.expose().into()));
        }
        Ok(builder.build())
    }
}

/// The mail of a notice.
///
/// # Errors
/// When an address is none.
pub fn message(notice: &Notice, settings: &MailSettings, link: &str) -> Result<Message, String> {
    let mailbox = |a: &String| a.parse::<Mailbox>().map_err(|_| format!("{a:?} is not a mail address; give NAME@HOST"));
    let from = mailbox(&settings.from)?;
    let domain = from.email.domain().to_string();
    let root = format!("<{}@{domain}>", notice.thread);
    let mut mail = Message::builder()
        .from(from)
        .subject(notice.subject())
        .date(UNIX_EPOCH + Duration::from_millis(notice.at_unix_ms.max(0) as u64))
        .header(ContentType::TEXT_PLAIN)
        .raw_header(HeaderValue::new(HeaderName::new_from_ascii_str("Auto-Submitted"), "auto-generated".into()));
    for to in &settings.to {
        mail = mail.to(mailbox(to)?);
    }
    mail = match notice.step {
        NoticeStep::Raised => mail.message_id(Some(root)),
        _ => mail.message_id(Some(format!("<{}@{domain}>", notice.id))).in_reply_to(root.clone()).references(root),
    };
    mail.body(notice.text(link)).map_err(|e| format!("the mail cannot be written: {e}"))
}

impl Channel for Mail {
    fn tell(&mut self, notice: &Notice) -> Result<(), Miss> {
        let later = |why: String| Miss::Later(why, None);
        let mail = message(notice, &self.settings, &self.link).map_err(Miss::Refused)?;
        match self.transport().map_err(later)?.send(&mail) {
            Ok(_) => Ok(()),
            Err(e) => {
                let code = e.status().map(|c| c.to_string()).unwrap_or_default();
                // 530, 534, 535, 538: about logging in (RFC 4954 6); a person puts that right.
                Err(match code.as_str() {
                    "530" | "534" | "535" | "538" => {
                        later(format!("the mail server does not let this account in ({code})"))
                    }
                    _ if e.is_permanent() => Miss::Refused(format!("the mail server refused it ({code})")),
                    "" if e.is_timeout() => later(format!("the mail server did not answer within {ANSWER_SECONDS} s")),
                    "" if e.is_tls() => later("the mail server has no TLS as it should".into()),
                    "" if refused_its_certificate(&e) => {
                        later("the mail server cannot prove who it is (its certificate is not trusted here)".into())
                    }
                    "" => later("the mail server cannot be reached".into()),
                    _ => later(format!("the mail server asked to try later ({code})")),
                })
            }
        }
    }
}

/// TLS failures in the middle of a session come as I/O errors about the data.
fn refused_its_certificate(error: &lettre::transport::smtp::Error) -> bool {
    let source = std::error::Error::source(error).and_then(|s| s.downcast_ref::<std::io::Error>());
    source.is_some_and(|e| e.kind() == std::io::ErrorKind::InvalidData)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_conversation_hangs_together() {
        let settings = MailSettings {
            from: "Booth <booth@larkfield.example>".into(),
            to: vec!["sound@larkfield.example".into()],
            ..MailSettings::default()
        };
        let notice = |step, id: &str| Notice {
            step,
            id: id.into(),
            thread: "a7-1".into(),
            headline: "Größe".into(),
            ..Notice::default()
        };
        let text = |n: &Notice| String::from_utf8(message(n, &settings, "").unwrap().formatted()).unwrap();
        let raised = text(&notice(NoticeStep::Raised, "a7-1-raised-5"));
        let over = text(&notice(NoticeStep::Cleared, "a7-1-cleared-9"));
        assert!(
            raised.contains("Message-ID: <a7-1@larkfield.example>\r\n") && !raised.contains("References"),
            "{raised}"
        );
        assert!(
            over.contains("References: <a7-1@larkfield.example>\r\n")
                && over.contains("In-Reply-To: <a7-1@larkfield.example>\r\n")
        );
        assert!(
            over.contains("Message-ID: <a7-1-cleared-9@larkfield.example>\r\n")
                && over.contains("Auto-Submitted: auto-generated\r\n")
        );
        let wrong = MailSettings { from: "nobody".into(), ..settings.clone() };
        assert!(message(&Notice::default(), &wrong, "").unwrap_err().contains("\"nobody\" is not a mail address"));
    }
}
