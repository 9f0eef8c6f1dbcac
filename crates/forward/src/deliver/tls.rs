//! TLS to a receiver: the files, read anew for each connection, and what went wrong in plain words.
//!
//! There is no way to turn the check of a receiver's certificate off: who has no authority of the receiver's gets a
//! file from those who run it. Versions are 1.2 and 1.3 only (BCP 195).

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::{AlertDescription, CertificateError, Error, InvalidMessage};
use tokio_rustls::rustls::{ClientConfig, RootCertStore, crypto, version};

use super::certificate;

/// The files of a TLS connection, PEM.
#[derive(Clone, Debug, Default)]
pub struct Tls {
    /// Whom to trust. Required: a receiver is known by its own authority, not by the web's.
    pub ca: Option<PathBuf>,
    /// Our own certificate with its chain, where the receiver asks for one.
    pub certificate: Option<PathBuf>,
    /// The private key of it; one without the other is a fault.
    pub key: Option<PathBuf>,
}

impl Tls {
    /// TLS 1.2 and 1.3 with the site's own authority (BCP 195), our certificate where one is given.
    pub(super) fn client(&self) -> Result<ClientConfig, String> {
        let ca = self.ca.as_ref();
        let ca = ca.ok_or("for mllps: give `ca`, the certificate authority to trust")?;
        let mut roots = RootCertStore::empty();
        for certificate in certificates(ca)? {
            roots.add(certificate).map_err(|e| format!("{}: {e}", ca.display()))?;
        }
        let provider = Arc::new(crypto::ring::default_provider());
        let builder = ClientConfig::builder_with_provider(provider)
            .with_protocol_versions(&[&version::TLS13, &version::TLS12])
            .map_err(|e| e.to_string())?
            .with_root_certificates(roots);
        match (&self.certificate, &self.key) {
            (None, None) => Ok(builder.with_no_client_auth()),
            (Some(own), Some(key)) => {
                let shown = key.display();
                let secret =
                    PrivateKeyDer::from_pem_file(key).map_err(|e| format!("{shown}: {e}"))?;
                builder
                    .with_client_auth_cert(certificates(own)?, secret)
                    .map_err(|e| format!("{} and {shown}: {e}", own.display()))
            }
            _ => Err("`certificate` and `private_key` together, or neither".into()),
        }
    }

    /// Everything that is wrong with the files as they are now: the key of the configuration that names the file,
    /// and what is allowed there.
    #[must_use]
    pub fn faults(&self) -> Vec<(&'static str, String)> {
        let mut faults = Vec::new();
        match &self.ca {
            None => {
                faults.push(("ca", "for mllps: the certificate authority to trust, in PEM".into()));
            }
            Some(ca) => faults.extend(certificates(ca).err().map(|why| ("ca", file(&why)))),
        }
        match (&self.certificate, &self.key) {
            (Some(_), None) => faults.push(("private_key", "the key of `certificate`".into())),
            (None, Some(_)) => faults.push(("certificate", "the one of `private_key`".into())),
            _ => {}
        }
        let own = self.certificate.as_ref().and_then(|own| certificates(own).err());
        faults.extend(own.map(|why| ("certificate", file(&why))));
        let key = self.key.as_ref().and_then(|key| {
            let read = PrivateKeyDer::from_pem_file(key);
            read.err().map(|e| format!("{}: {e}", key.display()))
        });
        faults.extend(key.map(|why| ("private_key", file(&why))));
        if faults.is_empty() {
            let key = if self.key.is_some() { "private_key" } else { "ca" };
            faults.extend(self.client().err().map(|why| (key, why)));
        }
        faults
    }

    /// When our own certificate ends, in Unix seconds, as the file says now. None: we have none.
    pub(super) fn ends(&self) -> Option<Result<i64, String>> {
        let own = self.certificate.as_ref()?;
        Some(certificates(own).and_then(|chain| {
            chain
                .first()
                .and_then(|der| certificate::ends(der))
                .ok_or_else(|| format!("{}: its end cannot be read", own.display()))
        }))
    }
}

pub(super) fn file(why: &str) -> String {
    format!("a PEM file that the service user can read ({why})")
}

/// All of a file; a file without any is an error.
pub(super) fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let shown = path.display();
    let read = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| format!("{shown}: {e}"))?;
    if read.is_empty() { Err(format!("{shown}: no certificate in it")) } else { Ok(read) }
}

/// What an error on a connection means; `name` is what the receiver's certificate must be for.
///
/// For a person: what to look at, on which side.
pub(super) fn in_words(error: &io::Error, name: &str) -> String {
    let Some(cause) = error.get_ref().and_then(|e| e.downcast_ref::<Error>()) else {
        return match error.kind() {
            io::ErrorKind::UnexpectedEof => "the receiver closed the connection".to_owned(),
            _ => error.to_string(),
        };
    };
    let meaning = match cause {
        Error::InvalidCertificate(fault) => refused(fault, name),
        Error::AlertReceived(AlertDescription::ProtocolVersion) | Error::PeerIncompatible(_) => {
            "the receiver speaks no TLS that is allowed here; allowed: TLS 1.2 and 1.3 with ciphers of \
             today"
                .to_owned()
        }
        Error::AlertReceived(alert) => alerted(*alert).to_owned(),
        Error::InvalidMessage(InvalidMessage::UnknownProtocolVersion) => {
            "the receiver speaks only TLS before 1.2, or none; allowed: TLS 1.2 and 1.3".to_owned()
        }
        Error::InvalidMessage(_) => "what the receiver speaks is no TLS".to_owned(),
        _ => return format!("TLS: {cause}"),
    };
    format!("TLS: {meaning} ({cause})")
}

/// Why we do not take the receiver's certificate.
fn refused(fault: &CertificateError, name: &str) -> String {
    match fault {
        CertificateError::Expired | CertificateError::ExpiredContext { .. } => {
            "the receiver's certificate has expired".to_owned()
        }
        CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => {
            "the receiver's certificate is not valid yet: is the clock right?".to_owned()
        }
        CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => {
            format!("the receiver's certificate is for another name than {name}")
        }
        CertificateError::UnknownIssuer => {
            "the receiver's certificate is not by the authority in `ca`".to_owned()
        }
        CertificateError::Revoked => "the receiver's certificate is revoked".to_owned(),
        _ => "the receiver's certificate cannot be trusted".to_owned(),
    }
}

/// Why the receiver does not take ours.
fn alerted(alert: AlertDescription) -> &'static str {
    match alert {
        AlertDescription::CertificateRequired => {
            "the receiver wants a certificate of ours: give `certificate` and `private_key`"
        }
        AlertDescription::CertificateExpired => {
            "the receiver says that our certificate has expired"
        }
        AlertDescription::UnknownCA => "the receiver does not know who issued our certificate",
        AlertDescription::BadCertificate
        | AlertDescription::UnsupportedCertificate
        | AlertDescription::CertificateRevoked
        | AlertDescription::CertificateUnknown
        | AlertDescription::AccessDenied => "the receiver does not take our certificate",
        AlertDescription::HandshakeFailure | AlertDescription::InsufficientSecurity => {
            "the receiver and we have no version or cipher in common, or it wants a certificate of ours"
        }
        _ => "the receiver ended the handshake",
    }
}
