//! Notices by HTTP POST: a documented JSON body, signed, or one line of text for chat services.
//!
//! Signature and headers follow the open Standard Webhooks convention (v1.0): `webhook-id`, `webhook-timestamp`,
//! `webhook-signature: v1,BASE64(HMAC-SHA256(key, "id.timestamp.body"))`. The id is the same for every try of one
//! notice, so that a receiver whose answer was lost can tell the second copy.

use super::gate::Manners;
use super::queue::{Channel, Miss};
use super::secret::{Secret, SecretPlace};
use crate::ledger::Notice;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD as BASE64;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use std::path::PathBuf;
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use ureq::tls::{Certificate, RootCerts, TlsConfig};

/// Value of `format` in the body: the meaning of a key never changes under one name.
pub const BODY_FORMAT: &str = "mixwarden.notice.v1";
/// Time for one try, seconds (own choice).
const TRY_SECONDS: u64 = 15;

/// What the body is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WebhookBody {
    /// The whole notice.
    Json,
    /// One object with the text under this key, as chat services' generic incoming webhooks take it.
    Chat(String),
}

/// Section `[tell.webhook]`.
#[derive(Debug, Clone, PartialEq)]
pub struct WebhookSettings {
    /// What is told and how often.
    pub manners: Manners,
    /// Where the address is (addresses of chat services are secrets).
    pub url_from: SecretPlace,
    /// What the body is.
    pub body: WebhookBody,
    /// Where the signing key is; none: no signature.
    pub key_from: SecretPlace,
    /// Certificates (PEM) to trust in place of the usual ones.
    pub ca_file: Option<PathBuf>,
}

impl Default for WebhookSettings {
    fn default() -> Self {
        Self {
            manners: Manners::quiet_on(&["note"]),
            url_from: SecretPlace::None,
            body: WebhookBody::Json,
            key_from: SecretPlace::None,
            ca_file: None,
        }
    }
}

/// A peer that takes POSTs.
pub(super) struct Webhook {
    settings: WebhookSettings,
    link: String,
    agent: Option<ureq::Agent>,
}

impl Webhook {
    pub(super) fn new(settings: WebhookSettings, link: &str) -> Self {
        Self { settings, link: link.into(), agent: None }
    }

    fn agent(&mut self) -> Result<&ureq::Agent, String> {
        let mut tls = TlsConfig::builder();
        if let (None, Some(path)) = (&self.agent, &self.settings.ca_file) {
            let roots = certificates(path)?;
            tls = tls.root_certs(RootCerts::new_with_certs(&roots));
        }
        Ok(self.agent.get_or_insert_with(|| {
            ureq::Agent::config_builder()
                .timeout_global(Some(Duration::from_secs(TRY_SECONDS)))
                .max_redirects(0)
                .http_status_as_error(false)
                .user_agent(concat!("mixwarden/", env!("CARGO_PKG_VERSION")))
                .tls_config(tls.build())
                .build()
                .new_agent()
        }))
    }
}

fn certificates(path: &std::path::Path) -> Result<Vec<Certificate<'static>>, String> {
    let pem = std::fs::read(path)
        .map_err(|e| format!("{}: the certificates cannot be read ({})", path.display(), e.kind()))?;
    let found: Vec<_> = ureq::tls::parse_pem(&pem)
        .filter_map(|item| if let Ok(ureq::tls::PemItem::Certificate(c)) = item { Some(c) } else { None })
        .collect();
    if found.is_empty() {
        return Err(format!("{}: holds no certificate; give a PEM file", path.display()));
    }
    Ok(found)
}

/// The body as sent.
pub fn body(notice: &Notice, form: &WebhookBody, link: &str) -> String {
    let text = notice.text(link);
    match form {
        WebhookBody::Chat(key) => serde_json::json!({ key: text }).to_string(),
        WebhookBody::Json => {
            let mut value = serde_json::to_value(notice).unwrap_or_default();
            if let Some(map) = value.as_object_mut() {
                map.insert("format".into(), BODY_FORMAT.into());
                map.insert("text".into(), text.into());
                map.insert("page".into(), link.into());
            }
            value.to_string()
        }
    }
}

/// The signature header's value.
pub fn signature(key: &Secret, id: &str, timestamp_seconds: u64, body: &str) -> String {
    // A key written as `whsec_BASE64` is the convention's own form; anything else is taken as it is.
    let bytes = key.expose().strip_prefix("whsec_").and_then(|b| BASE64.decode(b).ok());
    let bytes = bytes.unwrap_or_else(|| key.expose().as_bytes().to_vec());
    let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(&bytes) else { return String::new() };
    mac.update(format!("{id}.{timestamp_seconds}.{body}").as_bytes());
    format!("v1,{}", BASE64.encode(mac.finalize().into_bytes()))
}

impl Channel for Webhook {
    fn tell(&mut self, notice: &Notice) -> Result<(), Miss> {
        let later = |why: String| Miss::Later(why, None);
        let url = self.settings.url_from.fetch().map_err(later)?.ok_or_else(|| later("no address is set".into()))?;
        let key = self.settings.key_from.fetch().map_err(later)?;
        let body = body(notice, &self.settings.body, &self.link);
        let timestamp = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |d| d.as_secs());
        let agent = self.agent().map_err(later)?;
        let mut request = agent
            .post(url.expose())
            .header("content-type", "application/json")
            .header("webhook-id", &notice.id)
            .header("webhook-timestamp", timestamp.to_string());
        if let Some(key) = key {
            request = request.header("webhook-signature", signature(&key, &notice.id, timestamp, &body));
        }
        let answer = request.send(&body).map_err(|e| later(no_answer(&e)))?;
        let asked = answer.headers().get("retry-after").and_then(|v| v.to_str().ok()?.trim().parse().ok());
        let status = answer.status().as_u16();
        match status {
            200..300 => Ok(()),
            // Not for good: not allowed (yet), asked to wait, or a proxy before a peer that is away.
            401 | 403 | 404 | 407 | 408 | 425 | 429 | 500.. => {
                Err(Miss::Later(format!("the webhook's peer answered {status}"), asked))
            }
            _ => Err(Miss::Refused(format!("the webhook's peer refused it with {status}"))),
        }
    }
}

/// What went wrong, without the address: it may be a secret.
fn no_answer(error: &ureq::Error) -> String {
    match error {
        ureq::Error::HostNotFound => "the webhook's host was not found".into(),
        ureq::Error::Timeout(_) => format!("the webhook's peer did not answer within {TRY_SECONDS} s"),
        ureq::Error::Io(e) => format!("the webhook's peer cannot be reached ({})", e.kind()),
        ureq::Error::BadUri(_) | ureq::Error::Http(_) => {
            "the webhook's address is not a web address; give https://HOST/PATH".into()
        }
        ureq::Error::Tls(_) | ureq::Error::Rustls(_) | ureq::Error::Pem(_) => {
            "the webhook's peer cannot prove who it is (its certificate is not trusted here)".into()
        }
        _ => "the webhook's peer did not answer as a web server does".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_signature_is_the_conventions() {
        // The published example of the convention (key, id, time, body and signature), from memory of its text;
        // the integration test checks against a second implementation.
        let key = Secret::from("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw");
        let got = signature(&key, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1_614_265_330, r#"{"test": 2432232314}"#);
        assert_eq!(got, "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=");
    }

    #[test]
    fn bodies_hold_what_is_documented() {
        let notice =
            Notice { headline: "The stream is quiet".into(), venue: "Larkfield Chapel".into(), ..Notice::default() };
        let json: serde_json::Value = serde_json::from_str(&body(&notice, &WebhookBody::Json, "http://x/")).unwrap();
        assert_eq!(
            (&json["format"], &json["step"], &json["page"]),
            (&BODY_FORMAT.into(), &"raised".into(), &"http://x/".into())
        );
        let chat: serde_json::Value =
            serde_json::from_str(&body(&notice, &WebhookBody::Chat("content".into()), "")).unwrap();
        assert_eq!(chat.as_object().unwrap().len(), 1);
        assert!(chat["content"].as_str().unwrap().starts_with("Larkfield Chapel: The stream is quiet."));
    }
}
