//! Where a receiver is: a host over MLLP, the same under TLS, or a folder.

use std::fmt;
use std::path::{Path, PathBuf};

use tokio_rustls::rustls::pki_types::ServerName;

use super::{Limits, Tls, wire};

/// A receiver's address, ready to be used.
#[derive(Clone)]
pub enum Address {
    /// MLLP over plain TCP.
    Mllp {
        /// A name, looked up at every connection, or a numeric address without brackets.
        host: String,
        /// 1 to 65535.
        port: u16,
    },
    /// MLLP under TLS.
    Mllps {
        /// As for plain TCP.
        host: String,
        /// 1 to 65535.
        port: u16,
        /// What the receiver's certificate must be for.
        name: ServerName<'static>,
        /// Whom to trust, and what to show.
        tls: Tls,
    },
    /// A folder that gets each message as a file, without MLLP: written is accepted.
    Folder(PathBuf),
}

impl Address {
    /// Reads `mllp://HOST:PORT`, `mllps://HOST:PORT` or `dir:PATH` (relative to `base`).
    ///
    /// The error says what may be written, or what is wrong with a file of TLS. For `mllps://` the
    /// files are read once here, so that a fault shows at the start and not at night.
    ///
    /// ```
    /// use std::path::Path;
    ///
    /// use wickline_forward::{Address, Tls};
    ///
    /// let address = Address::parse("mllp://192.0.2.20:2575", Path::new("."), &Tls::default());
    /// assert_eq!(address.expect("an address").to_string(), "mllp://192.0.2.20:2575");
    /// let wrong = Address::parse("http://192.0.2.20", Path::new("."), &Tls::default());
    /// assert!(wrong.err().expect("refused").contains("mllp://HOST:PORT"));
    /// ```
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
            // What is wrong with the files is said now; they are read again at each connection.
            tls.client()?;
            return Ok(Address::Mllps { host, port, name, tls: tls.clone() });
        }
        match text.strip_prefix("mllp://") {
            Some(rest) => host_and_port(rest).map(|(host, port)| Address::Mllp { host, port }),
            None => Err("mllp://HOST:PORT, mllps://HOST:PORT or dir:PATH".into()),
        }
    }

    /// When our own certificate ends, in Unix seconds, as its file says now. None: there is none.
    ///
    /// An error names the file that cannot be read.
    #[must_use]
    pub fn certificate_ends(&self) -> Option<Result<i64, String>> {
        match self {
            Address::Mllps { tls, .. } => tls.ends(),
            Address::Mllp { .. } | Address::Folder(_) => None,
        }
    }

    /// Whether it can be reached: connects and closes again, or looks at the folder. Sends nothing.
    ///
    /// The answer says in words what was found, the error what to look at.
    pub async fn probe(&self, limits: &Limits) -> Result<String, String> {
        match self {
            Address::Folder(path) => match std::fs::metadata(path) {
                Ok(found) if found.is_dir() => Ok(format!("{self}: a folder")),
                Ok(_) => Err(format!("{self}: not a folder")),
                Err(_) => Ok(format!("{self}: will be made")),
            },
            _ => match wire::connect(self, limits).await {
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

/// Numeric addresses of IPv6 stand in brackets.
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
