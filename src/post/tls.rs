//! TLS towards a relay: whom we trust, and the connection.

use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};

use lettre::transport::smtp::client::AsyncTokioStream;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use thiserror::Error;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

/// Why no private connection can be made, whatever the relay does.
#[derive(Debug, Error)]
pub enum TrustError {
    /// The file of certificates can't be read.
    #[error("the relay's ca_file {path} can't be read: {why}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why not.
        why: String,
    },
    /// Nobody to trust.
    #[error(
        "this machine has no certificates to trust a relay by: install the package \
         ca-certificates, or name the relay's own with ca_file"
    )]
    Nobody,
    /// The name is none that a certificate could bear.
    #[error("{0} is no host that a certificate could name")]
    Host(String),
    /// The TLS library lacks what it needs.
    #[error("TLS can't be set up: {0}")]
    Library(#[from] rustls::Error),
}

/// Makes connections private, and sure of whom they lead to.
#[derive(Clone)]
pub(super) struct Tls {
    connector: TlsConnector,
    host: ServerName<'static>,
}

impl Tls {
    /// Trusts the system's certificates, and those in `ca_file` beside them.
    pub(super) fn new(host: &str, ca_file: Option<&Path>) -> Result<Self, TrustError> {
        let mut roots = RootCertStore::empty();
        // What can't be read of the system's is left out: what remains may well do.
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if let Some(path) = ca_file {
            add_file(&mut roots, path)
                .map_err(|why| TrustError::Unreadable { path: path.to_owned(), why })?;
        }
        if roots.is_empty() {
            return Err(TrustError::Nobody);
        }
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()?
            .with_root_certificates(roots)
            .with_no_client_auth();
        let name = ServerName::try_from(host.to_owned());
        Ok(Tls {
            connector: TlsConnector::from(Arc::new(config)),
            host: name.map_err(|_| TrustError::Host(host.to_owned()))?,
        })
    }

    pub(super) async fn wrap(&self, tcp: TcpStream) -> io::Result<TlsStream<TcpStream>> {
        self.connector.connect(self.host.clone(), tcp).await
    }
}

fn add_file(roots: &mut RootCertStore, path: &Path) -> Result<(), String> {
    let certificates = CertificateDer::pem_file_iter(path).map_err(|error| error.to_string())?;
    let mut added = 0;
    for certificate in certificates {
        let certificate = certificate.map_err(|error| error.to_string())?;
        roots.add(certificate).map_err(|error| error.to_string())?;
        added += 1;
    }
    if added == 0 {
        return Err("it holds no certificate".to_owned());
    }
    Ok(())
}

/// A private connection, in the form that lettre takes.
#[derive(Debug)]
pub(super) struct Private {
    tls: TlsStream<TcpStream>,
    /// What is read before anything from the relay: lettre waits for a greeting, and behind
    /// STARTTLS the relay gives none.
    greeting: &'static [u8],
}

impl Private {
    /// A connection that the relay will open with its greeting.
    pub(super) fn from_first_byte(tls: TlsStream<TcpStream>) -> Self {
        Private { tls, greeting: b"" }
    }

    /// A connection on which the relay has greeted already.
    pub(super) fn after_greeting(tls: TlsStream<TcpStream>) -> Self {
        Private { tls, greeting: b"220 \r\n" }
    }
}

impl AsyncTokioStream for Private {
    fn peer_addr(&self) -> io::Result<SocketAddr> {
        self.tls.get_ref().0.peer_addr()
    }
}

impl AsyncRead for Private {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        if self.greeting.is_empty() {
            return Pin::new(&mut self.tls).poll_read(context, buffer);
        }
        let (now, later) = self.greeting.split_at(buffer.remaining().min(self.greeting.len()));
        buffer.put_slice(now);
        self.greeting = later;
        Poll::Ready(Ok(()))
    }
}

impl AsyncWrite for Private {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.tls).poll_write(context, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.tls).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.tls).poll_shutdown(context)
    }
}
