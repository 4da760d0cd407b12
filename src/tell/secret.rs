//! Secrets: named in the settings by where they are, read when they are needed, never shown.

use std::fmt;
use std::path::PathBuf;

/// A password, key or private address. Its `Debug` hides it; it has no `Display`.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// The secret itself; for the peer alone.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl From<&str> for Secret {
    fn from(text: &str) -> Self {
        Self(text.into())
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(hidden)")
    }
}

/// Where a secret is: what the settings hold in its place.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum SecretPlace {
    /// There is none.
    #[default]
    None,
    /// First line of a file.
    File(PathBuf),
    /// A variable of the environment.
    Environment(String),
    /// A file of the service manager's credentials directory (`LoadCredential=`).
    Credential(String),
}

/// What `SecretPlace::parse` takes.
pub const SECRET_FORMS: &str = "\"file:/PATH\", \"env:NAME\", \"credential:NAME\" (LoadCredential=), or \"\" for none";

impl SecretPlace {
    /// Reads a settings value.
    ///
    /// # Errors
    /// What is wanted, when it is of no known form. The value itself is not repeated: it may be the secret.
    pub fn parse(text: &str) -> Result<Self, String> {
        match text.split_once(':') {
            None if text.is_empty() => Ok(Self::None),
            Some(("file", path)) if path.starts_with('/') => Ok(Self::File(path.into())),
            Some(("env", name)) if !name.is_empty() => Ok(Self::Environment(name.into())),
            Some(("credential", name)) if !name.is_empty() && !name.contains('/') => Ok(Self::Credential(name.into())),
            _ => Err(SECRET_FORMS.into()),
        }
    }

    /// Fetches the secret; `None` where none is set.
    ///
    /// # Errors
    /// One sentence that tells the place, never the secret.
    pub fn fetch(&self) -> Result<Option<Secret>, String> {
        let path = match self {
            Self::None => return Ok(None),
            Self::Environment(name) => {
                return match std::env::var(name) {
                    Ok(value) if !value.is_empty() => Ok(Some(Secret(value))),
                    _ => Err(format!("the environment has no {name}; set it for this program, or use file:/PATH")),
                };
            }
            Self::File(path) => path.clone(),
            Self::Credential(name) => match std::env::var_os("CREDENTIALS_DIRECTORY") {
                Some(dir) => PathBuf::from(dir).join(name),
                None => {
                    return Err(format!(
                        "no credentials were handed over; add LoadCredential={name}:/PATH to the unit"
                    ));
                }
            },
        };
        let text = std::fs::read_to_string(&path).map_err(|e| {
            format!(
                "{}: the secret cannot be read ({}); make it readable for this program's user only",
                path.display(),
                e.kind()
            )
        })?;
        match text.lines().next().map(str::trim) {
            Some(line) if !line.is_empty() => Ok(Some(Secret(line.into()))),
            _ => Err(format!("{}: its first line is empty; put the secret there", path.display())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_read_and_secrets_stay_hidden() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("key");
        std::fs::write(&path, "hush-7\nsecond line\n").unwrap();
        let place = SecretPlace::parse(&format!("file:{}", path.display())).unwrap();
        let secret = place.fetch().unwrap().unwrap();
        assert_eq!(secret.expose(), "hush-7");
        assert!(!format!("{place:?} {secret:?}").contains("hush"));
        std::fs::write(&path, "\n").unwrap();
        assert!(place.fetch().unwrap_err().contains("first line is empty"));
        assert_eq!(SecretPlace::parse("").unwrap().fetch(), Ok(None));
        let wrong = SecretPlace::parse("hush-7").unwrap_err();
        assert!(!wrong.contains("hush-7") && wrong.contains("file:/PATH"));
        assert!(
            SecretPlace::parse("env:MIXWARDEN_NOT_SET_HERE")
                .unwrap()
                .fetch()
                .unwrap_err()
                .contains("MIXWARDEN_NOT_SET_HERE")
        );
    }
}
