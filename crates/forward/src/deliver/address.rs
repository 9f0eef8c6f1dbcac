//! Where a receiver is: a host over MLLP, the same under TLS, or a folder.

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore, crypto};

use super::wire;

/// A receiver's address, ready to be used.
#[derive(Clone)]
pub enum Address {
    Mllp { host: String, port: u16 },
    Mllps { host: String, port: u16, name: ServerName<'static>, config: Arc<ClientConfig> },
    Folder(PathBuf),
}

/// The files of a TLS connection, PEM.
#[derive(Clone, Debug, Default)]
pub struct Tls {
    /// Whom to trust. Required: a receiver is known by its own authority, not by the web's.
    pub ca: Option<PathBuf>,
    pub certificate: Option<PathBuf>,
    pub key: Option<PathBuf>,
}

impl Address {
    /// Reads `mllp://HOST:PORT`, `mllps://HOST:PORT` or `dir:PATH` (relative to `base`).
    pub fn parse(text: &str, base: &Path, tls: &Tls) -> Result<Address, String> {
        if let Some(path) = text.strip_prefix("dir:") {
            if path.is_empty() {
                return Err("`dir:` needs a path, as in `dir:out`".into());
            }
            return Ok(Address::Folder(base.join(path)));
        }
        if let Some(rest) = text.strip_prefix("mllps://") {
            let (host, port) = host_and_port(rest)?;
            let name = ServerName::try_from(host.clone())
                .map_err(|_| format!("`{host}` cannot be checked against a certificate"))?;
            let config = Arc::new(client(tls)?);
            return Ok(Address::Mllps { host, port, name, config });
        }
        match text.strip_prefix("mllp://") {
            Some(rest) => host_and_port(rest).map(|(host, port)| Address::Mllp { host, port }),
            None => Err("mllp://HOST:PORT, mllps://HOST:PORT or dir:PATH".into()),
        }
    }

    /// Whether it can be reached: connects and closes again, or looks at the folder. Sends nothing.
    pub async fn probe(&self, patience: Duration) -> Result<String, String> {
        match self {
            Address::Folder(path) => match std::fs::metadata(path) {
                Ok(found) if found.is_dir() => Ok(format!("{self}: a folder")),
                Ok(_) => Err(format!("{self}: not a folder")),
                Err(_) => Ok(format!("{self}: will be made")),
            },
            _ => match wire::connect(self, patience).await {
                Ok(_) => Ok(format!("{self}: connected")),
                Err(why) => Err(format!("{self}: {why}")),
            },
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bracketed = |host: &str| {
            if host.contains(':') { format!("[{host}]") } else { host.to_owned() }
        };
        match self {
            Address::Mllp { host, port } => write!(f, "mllp://{}:{port}", bracketed(host)),
            Address::Mllps { host, port, .. } => write!(f, "mllps://{}:{port}", bracketed(host)),
            Address::Folder(path) => write!(f, "dir:{}", path.display()),
        }
    }
}

fn host_and_port(text: &str) -> Result<(String, u16), String> {
    let wrong = || "HOST:PORT, such as 192.0.2.20:2575 or [2001:db8::20]:2575".to_owned();
    let (host, port) = text.rsplit_once(':').ok_or_else(wrong)?;
    let host = match host.strip_prefix('[') {
        Some(inner) => inner.strip_suffix(']').ok_or_else(wrong)?,
        None if host.contains(':') => return Err(wrong()),
        None => host,
    };
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.' | b':' | b'_');
    let port = port.parse().ok().filter(|p| *p != 0).ok_or_else(wrong)?;
    if host.is_empty() || host.len() > 253 || !host.bytes().all(plain) {
        return Err(wrong());
    }
    Ok((host.to_owned(), port))
}

/// TLS 1.2 and 1.3 with the site's own authority (BCP 195), our certificate where one is given.
fn client(tls: &Tls) -> Result<ClientConfig, String> {
    let ca = tls.ca.as_ref().ok_or("for mllps: give `ca`, the certificate authority to trust")?;
    let mut roots = RootCertStore::empty();
    for certificate in certificates(ca)? {
        roots.add(certificate).map_err(|e| format!("{}: {e}", ca.display()))?;
    }
    let builder = ClientConfig::builder_with_provider(Arc::new(crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|e| e.to_string())?
        .with_root_certificates(roots);
    match (&tls.certificate, &tls.key) {
        (None, None) => Ok(builder.with_no_client_auth()),
        (Some(own), Some(key)) => {
            let shown = key.display();
            let secret = PrivateKeyDer::from_pem_file(key).map_err(|e| format!("{shown}: {e}"))?;
            builder
                .with_client_auth_cert(certificates(own)?, secret)
                .map_err(|e| format!("{} and {shown}: {e}", own.display()))
        }
        _ => Err("`certificate` and `private_key` together, or neither".into()),
    }
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let shown = path.display();
    let read = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| format!("{shown}: {e}"))?;
    if read.is_empty() { Err(format!("{shown}: no certificate in it")) } else { Ok(read) }
}
