//! A mail server that takes our letters, and how it is reached.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::{fmt, io};

use rustls::pki_types::ServerName;
use secrecy::{ExposeSecret, SecretString};
use serde::Deserialize;
use thiserror::Error;
use toml::Spanned;

use super::fault::Found;

/// A mail server that takes our letters.
#[derive(Clone, Debug)]
pub struct Relay {
    /// Its name or address.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How the connection is kept private.
    pub security: Security,
    /// The user name, if it wants one.
    pub username: Option<String>,
    /// The file that holds the password and nothing else.
    pub password_file: Option<PathBuf>,
    /// Certificates (PEM) to be trusted beside those of the system.
    pub ca_file: Option<PathBuf>,
}

/// How a connection to a relay is kept private.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Security {
    /// Not at all: for a relay on this machine.
    None,
    /// TLS from STARTTLS on; a relay that does not offer it gets no letter.
    #[default]
    Starttls,
    /// TLS from the first byte.
    Tls,
}

impl Security {
    /// The port on which this is usual (RFC 5321, RFC 6409, RFC 8314).
    fn usual_port(self) -> u16 {
        match self {
            Security::None => 25,
            Security::Starttls => 587,
            Security::Tls => 465,
        }
    }
}

/// Why a relay's password can't be had.
#[derive(Debug, Error)]
pub enum SecretError {
    /// The file can't be read.
    #[error("the relay's password file {path} can't be read ({source})")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// The file holds no password.
    #[error("the relay's password file {0} is empty; write the password on its first line")]
    Empty(PathBuf),
}

impl Relay {
    /// Reads the password: the first line of its file. `None` where no file is named.
    ///
    /// # Errors
    /// The file can't be read, or is empty.
    pub fn password(&self) -> Result<Option<SecretString>, SecretError> {
        let Some(path) = &self.password_file else { return Ok(None) };
        let text = SecretString::from(
            std::fs::read_to_string(path)
                .map_err(|source| SecretError::Unreadable { path: path.clone(), source })?,
        );
        match text.expose_secret().lines().next() {
            Some(password) if !password.is_empty() => Ok(Some(SecretString::from(password))),
            _ => Err(SecretError::Empty(path.clone())),
        }
    }
}

impl fmt::Display for Relay {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}:{}", self.host, self.port)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Written {
    pub(super) host: Spanned<String>,
    port: Option<Spanned<u16>>,
    #[serde(default)]
    security: Security,
    username: Option<Spanned<String>>,
    password_file: Option<Spanned<String>>,
    ca_file: Option<PathBuf>,
}

pub(super) fn check(written: &Written, folder: &Path, found: &mut Found<'_>) -> Option<Relay> {
    let host = found.read(&written.host, host);
    if let Some(port) = written.port.as_ref().filter(|port| *port.get_ref() == 0) {
        found.at(port.span(), "must be 1 to 65535");
    }
    let given = |text: &&Spanned<String>| !text.get_ref().is_empty();
    let username = written.username.as_ref().filter(given);
    let password_file = written.password_file.as_ref().filter(given);
    match (username, password_file) {
        (Some(alone), None) => found.about(alone, "has no password: add `password_file`"),
        (None, Some(alone)) => found.about(alone, "has no user: add `username`"),
        (Some(name), Some(_)) if written.security == Security::None && !on_this_machine(&host) => {
            let mend = "would send its password readable to everybody on the way; write \
                        `security = \"starttls\"` or `\"tls\"`";
            found.about(name, mend);
        }
        _ => {}
    }
    let port = written.port.as_ref().map_or(written.security.usual_port(), |port| *port.get_ref());
    Some(Relay {
        host: host?,
        port,
        security: written.security,
        username: username.map(|text| text.get_ref().clone()),
        password_file: password_file.map(|text| folder.join(text.get_ref())),
        ca_file: written.ca_file.as_ref().map(|file| folder.join(file)),
    })
}

/// A faulty host counts as near, since it has its own fault already.
fn on_this_machine(host: &Option<String>) -> bool {
    host.as_ref().is_none_or(|host| {
        host == "localhost" || host.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
    })
}

pub(super) fn host(text: &str) -> Result<String, &'static str> {
    ServerName::try_from(text)
        .map(|_| text.to_owned())
        .map_err(|_| "is not a host; write its name or address alone, like mail.example.org")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_is_the_first_line_of_its_file_and_never_shown() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("relay.password");
        std::fs::write(&file, "over the bar\n").unwrap();
        let mut relay = Relay {
            host: "localhost".into(),
            port: 25,
            security: Security::None,
            username: Some("lamp".into()),
            password_file: Some(file.clone()),
            ca_file: None,
        };
        let password = relay.password().unwrap().unwrap();
        assert_eq!(password.expose_secret(), "over the bar");
        assert!(!format!("{password:?} {relay:?}").contains("over the bar"));
        std::fs::write(&file, "\n").unwrap();
        assert!(matches!(relay.password(), Err(SecretError::Empty(_))));
        relay.password_file = Some(folder.path().join("none"));
        assert!(matches!(relay.password(), Err(SecretError::Unreadable { .. })));
    }
}
