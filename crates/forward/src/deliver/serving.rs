//! TLS on what is served to others: our certificate with its chain, its key, and whose certificates may connect.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::pki_types::PrivateKeyDer;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::server::WebPkiClientVerifier;
use tokio_rustls::rustls::{CertificateError, Error, RootCertStore, ServerConfig, crypto, version};

use super::certificate;
use super::tls::{certificates, file};

/// The files of TLS on what is served, PEM.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Serving {
    /// Our certificate, then those up to the authority that whoever connects knows.
    pub certificate: PathBuf,
    /// The private key of it.
    pub key: PathBuf,
    /// The authorities by which whoever connects must show a certificate. None: nobody has to.
    pub clients: Option<PathBuf>,
}

/// The files as they were when they were read.
#[derive(Clone)]
pub struct Secured(TlsAcceptor);

impl Serving {
    /// Everything that is wrong with the files as they are now: `certificate`, `key` or `ca`, and what is allowed.
    #[must_use]
    pub fn faults(&self) -> Vec<(&'static str, String)> {
        let mut faults = Vec::new();
        faults.extend(certificates(&self.certificate).err().map(|why| ("certificate", file(&why))));
        faults.extend(secret(&self.key).err().map(|why| ("key", file(&why))));
        let clients = self.clients.as_ref().and_then(|path| authorities(path).err());
        faults.extend(clients.map(|why| ("ca", file(&why))));
        if faults.is_empty() {
            faults.extend(self.open("").err().map(|why| ("key", why)));
        }
        faults
    }

    /// Reads the files. `protocol` is what is spoken inside, as a client that asks is told (RFC 7301). TLS 1.2 and 1.3
    /// (BCP 195).
    ///
    /// An error names the files.
    pub fn open(&self, protocol: &str) -> Result<Secured, String> {
        let (chain, key) = (certificates(&self.certificate)?, secret(&self.key)?);
        let provider = Arc::new(crypto::ring::default_provider());
        let builder = ServerConfig::builder_with_provider(provider.clone())
            .with_protocol_versions(&[&version::TLS13, &version::TLS12])
            .map_err(|e| e.to_string())?;
        let builder = match &self.clients {
            None => builder.with_no_client_auth(),
            Some(path) => {
                let roots = Arc::new(authorities(path)?);
                let verifier = WebPkiClientVerifier::builder_with_provider(roots, provider).build();
                let verifier = verifier.map_err(|e| format!("{}: {e}", path.display()))?;
                builder.with_client_cert_verifier(verifier)
            }
        };
        let mut config = builder.with_single_cert(chain, key).map_err(|e| {
            format!("the key of {} ({}: {e})", self.certificate.display(), self.key.display())
        })?;
        config.alpn_protocols = vec![protocol.as_bytes().to_vec()];
        Ok(Secured(TlsAcceptor::from(Arc::new(config))))
    }

    /// When the certificate ends, in Unix seconds, as its file says now. None: it cannot be read.
    #[must_use]
    pub fn ends(&self) -> Option<i64> {
        certificates(&self.certificate).ok()?.first().and_then(|der| certificate::ends(der))
    }
}

impl Secured {
    /// Agrees on TLS with whoever connected. An error: they did not.
    pub async fn accept(
        &self,
        stream: TcpStream,
    ) -> io::Result<impl AsyncRead + AsyncWrite + Unpin + Send + use<>> {
        self.0.accept(stream).await
    }
}

/// Why no TLS was agreed on with whoever connected.
#[must_use]
pub fn no_tls(error: &io::Error) -> &'static str {
    match error.get_ref().and_then(|inner| inner.downcast_ref::<Error>()) {
        Some(Error::NoCertificatesPresented) => "it shows no certificate, and `ca` asks for one",
        Some(Error::InvalidCertificate(
            CertificateError::Expired | CertificateError::ExpiredContext { .. },
        )) => "its certificate has expired",
        Some(Error::InvalidCertificate(_)) => "its certificate is by no authority of `ca`",
        _ => "it does not speak TLS",
    }
}

fn authorities(path: &Path) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(path)? {
        roots.add(certificate).map_err(|e| format!("{}: {e}", path.display()))?;
    }
    Ok(roots)
}

fn secret(path: &Path) -> Result<PrivateKeyDer<'static>, String> {
    PrivateKeyDer::from_pem_file(path).map_err(|e| format!("{}: {e}", path.display()))
}
