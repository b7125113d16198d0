//! The certificate under which the pages are served, read again when its files change.

use std::fmt;
use std::path::Path;
use std::sync::{Arc, PoisonError, RwLock};
use std::time::{Duration, SystemTime};

use rustls::crypto::ring::default_provider;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;
use rustls::{ServerConfig, version};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;

use crate::daemon::Daemon;
use crate::settings::Tls;

/// Between looks whether the files have changed: certificates are renewed weeks ahead.
const BETWEEN_LOOKS: Duration = Duration::from_secs(60);
/// The same while there is none that can be used.
const WHILE_THERE_IS_NONE: Duration = Duration::from_secs(5);

/// The certificate now in use, if any.
#[derive(Clone)]
pub struct Certificate {
    in_use: Arc<InUse>,
}

#[derive(Default)]
struct InUse(RwLock<Option<Arc<CertifiedKey>>>);

impl Certificate {
    /// Reads the files, and reads them again whenever they change, until `stop`. What can't be used
    /// keeps no alert back: the keeper is told, and the one before stays in use.
    #[must_use]
    pub fn kept_up(tls: Tls, daemon: Daemon, stop: CancellationToken) -> Self {
        let certificate = Certificate { in_use: Arc::default() };
        let in_use = Arc::clone(&certificate.in_use);
        let first = in_use.read(&tls, &daemon);
        tokio::spawn(async move {
            let mut seen = first;
            loop {
                let none = in_use.get().is_none();
                let pause = if none { WHILE_THERE_IS_NONE } else { BETWEEN_LOOKS };
                tokio::select! {
                    () = stop.cancelled() => return,
                    () = tokio::time::sleep(pause) => {}
                }
                let now = changed_at(&tls);
                if none || now != seen {
                    seen = in_use.read(&tls, &daemon);
                }
            }
        });
        certificate
    }

    pub(super) fn acceptor(&self) -> TlsAcceptor {
        // TLS 1.2 and 1.3 with the ring's cipher suites: this can't fail.
        let versions = &[&version::TLS13, &version::TLS12];
        let builder = ServerConfig::builder_with_provider(Arc::new(default_provider()))
            .with_protocol_versions(versions);
        let Ok(builder) = builder else { unreachable!("ring has suites for TLS 1.2 and 1.3") };
        let resolver: Arc<dyn ResolvesServerCert> = self.in_use.clone();
        let mut config = builder.with_no_client_auth().with_cert_resolver(resolver);
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        TlsAcceptor::from(Arc::new(config))
    }
}

type ChangedAt = (Option<SystemTime>, Option<SystemTime>);

fn changed_at(tls: &Tls) -> ChangedAt {
    let at = |path: &Path| std::fs::metadata(path).and_then(|file| file.modified()).ok();
    (at(&tls.certificate), at(&tls.key))
}

impl InUse {
    fn get(&self) -> Option<Arc<CertifiedKey>> {
        self.0.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// When the files that were read had changed.
    fn read(&self, tls: &Tls, daemon: &Daemon) -> ChangedAt {
        let seen = changed_at(tls);
        match read(tls) {
            Ok(key) => {
                *self.0.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(key));
                tracing::info!("the pages are served under the certificate that was read just now");
            }
            Err(why) => {
                tracing::error!(why, "the certificate can't be used");
                daemon.tell_of_certificate(&why);
            }
        }
        seen
    }
}

fn read(tls: &Tls) -> Result<CertifiedKey, String> {
    let said = |path: &Path, why: &dyn fmt::Display| format!("{}: {why}", path.display());
    let of_certificate = |error: &dyn fmt::Display| said(&tls.certificate, error);
    let chain = CertificateDer::pem_file_iter(&tls.certificate).map_err(|e| of_certificate(&e))?;
    let chain = chain.collect::<Result<Vec<_>, _>>().map_err(|error| of_certificate(&error))?;
    if chain.is_empty() {
        return Err(of_certificate(&"there is no certificate in it"));
    }
    let key = PrivateKeyDer::from_pem_file(&tls.key).map_err(|error| said(&tls.key, &error))?;
    CertifiedKey::from_der(chain, key, &default_provider()).map_err(|error| said(&tls.key, &error))
}

impl ResolvesServerCert for InUse {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        self.get()
    }
}

impl fmt::Debug for InUse {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a certificate")
    }
}
