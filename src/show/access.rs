//! Who may do what. This computer itself may do everything; any other address needs a key with a role. Host and
//! Origin are always checked, so that no web page elsewhere can look in or press the button.

use axum::body::Body;
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use std::net::SocketAddr;
use std::sync::{Arc, RwLock};
use subtle::ConstantTimeEq as _;

/// What a visitor may do; each may do what the ones before may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Look.
    Look,
    /// Say "we're checking".
    Acknowledge,
    /// Begin and end services, put alerts aside.
    Manage,
}

impl Role {
    /// Its name in the keys file.
    pub fn name(self) -> &'static str {
        match self {
            Self::Look => "look",
            Self::Acknowledge => "acknowledge",
            Self::Manage => "manage",
        }
    }

    /// Whether it reaches as far as `least`.
    ///
    /// # Errors
    /// The sentence for who may not.
    pub(super) fn may(self, least: Self) -> Result<(), &'static str> {
        if self >= least { Ok(()) } else { Err("your key may not do this; ask for another link") }
    }

    /// The role of this name.
    pub fn named(name: &str) -> Option<Self> {
        match name {
            "look" => Some(Self::Look),
            "acknowledge" => Some(Self::Acknowledge),
            "manage" => Some(Self::Manage),
            _ => None,
        }
    }
}

/// The keys of other machines; clones share them. Debug never prints them.
#[derive(Clone, Default)]
pub struct Keys(Arc<RwLock<Vec<(Role, String)>>>);

impl Keys {
    /// Reads a file of `role key` lines; `#` begins a remark.
    ///
    /// # Errors
    /// The line that is wrong, and what it should be; the key itself is never repeated.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut keys = Vec::new();
        for (n, line) in text.lines().enumerate() {
            let line = line.split('#').next().unwrap_or("").trim();
            if line.is_empty() {
                continue;
            }
            let mut words = line.split_whitespace();
            match (words.next().and_then(Role::named), words.next(), words.next()) {
                (Some(role), Some(key), None) if key.len() >= 16 => keys.push((role, key.to_string())),
                _ => {
                    return Err(format!(
                        "line {}: give a role (look, acknowledge, manage) and a key of 16 characters or more",
                        n + 1
                    ));
                }
            }
        }
        Ok(Self(Arc::new(RwLock::new(keys))))
    }

    /// All of them, in the file's order.
    pub fn list(&self) -> Vec<(Role, String)> {
        self.0.read().map_or_else(|_| Vec::new(), |keys| keys.clone())
    }

    /// Lets in those of `fresh` from now on, and no others.
    pub fn replace(&self, fresh: &Self) {
        if let Ok(mut keys) = self.0.write() {
            *keys = fresh.list();
        }
    }

    /// There is none.
    pub fn is_empty(&self) -> bool {
        self.list().is_empty()
    }

    /// The strongest role of `key`; every key is compared, each in constant time.
    fn role(&self, key: &str) -> Option<Role> {
        let same = |k: &str| bool::from(k.as_bytes().ct_eq(key.as_bytes()));
        let Ok(keys) = self.0.read() else { return None };
        keys.iter().fold(None, |best, (role, k)| if same(k) { best.max(Some(*role)) } else { best })
    }
}

/// Reached through the control socket of this machine's own user.
#[derive(Debug, Clone, Copy)]
pub struct Trusted;

fn text(headers: &HeaderMap, name: header::HeaderName) -> Option<&str> {
    headers.get(name)?.to_str().ok()
}

fn host_of(authority: &str) -> &str {
    match authority.rfind(':') {
        Some(colon) if !authority[colon..].contains(']') => &authority[..colon],
        _ => authority,
    }
}

fn names_this_computer(host: &str) -> bool {
    matches!(host, "localhost" | "127.0.0.1" | "[::1]")
}

/// The key of a request: bearer, cookie, or the `key` of a link.
fn key(request: &Request) -> Option<(String, bool)> {
    if let Some(bearer) = text(request.headers(), header::AUTHORIZATION).and_then(|a| a.strip_prefix("Bearer ")) {
        return Some((bearer.trim().into(), false));
    }
    let in_link = request.uri().query().and_then(|q| q.split('&').find_map(|p| p.strip_prefix("key=")));
    if let Some(key) = in_link {
        return Some((key.into(), true));
    }
    let cookies = text(request.headers(), header::COOKIE)?;
    cookies.split(';').find_map(|c| c.trim().strip_prefix("mixwarden=")).map(|k| (k.to_string(), false))
}

/// Checks Host, Origin and key; puts the visitor's `Role` into the request.
pub(super) async fn check(State(keys): State<Keys>, mut request: Request, next: Next) -> Response {
    let refuse = |status: StatusCode, why: &'static str| (status, why).into_response();
    let trusted = request.extensions().get::<Trusted>().is_some();
    let host = text(request.headers(), header::HOST).map(str::to_string).unwrap_or_default();
    let own =
        request.extensions().get::<ConnectInfo<SocketAddr>>().is_none_or(|c| c.0.ip().to_canonical().is_loopback());
    let origin = text(request.headers(), header::ORIGIN).map(str::to_string);
    if let Some(origin) = origin
        && origin.split("://").nth(1) != Some(host.as_str())
    {
        return refuse(StatusCode::FORBIDDEN, "This request comes from another site; open the page itself.\n");
    }
    let found = key(&request);
    let by_key = found.as_ref().and_then(|(k, _)| keys.role(k));
    let role = if trusted || own && names_this_computer(host_of(&host)) { Some(Role::Manage) } else { by_key };
    let Some(role) = role else {
        return refuse(
            StatusCode::UNAUTHORIZED,
            "A key is needed from this address: ask for a link (mixwarden links).\n",
        );
    };
    request.extensions_mut().insert(role);
    let link = found.filter(|(_, in_link)| *in_link && by_key.is_some());
    let mut response = match link {
        // The key leaves the address bar: it becomes a cookie that no script and no other site can use.
        Some((key, _)) => {
            let to = request.uri().path().to_string();
            let cookie = format!("mixwarden={key}; HttpOnly; SameSite=Strict; Path=/; Max-Age=31536000");
            Response::builder()
                .status(StatusCode::SEE_OTHER)
                .header(header::LOCATION, to)
                .header(header::SET_COOKIE, cookie)
                .body(Body::empty())
                .unwrap_or_default()
        }
        None => next.run(request).await,
    };
    let headers = response.headers_mut();
    let mut set = |name: header::HeaderName, value: &'static str| {
        headers.insert(name, header::HeaderValue::from_static(value));
    };
    set(
        header::CONTENT_SECURITY_POLICY,
        "default-src 'self'; img-src 'self' data:; style-src 'self' 'unsafe-inline'; frame-ancestors 'none'; base-uri 'none'",
    );
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    // Not "no-referrer": browsers then send forms of the page itself with Origin "null".
    set(header::REFERRER_POLICY, "same-origin");
    set(header::CACHE_CONTROL, "no-store");
    response
}
