//! Where a database is, and how it is named to people: never with a password.

mod masking;
mod server;

use std::path::{Path, PathBuf};

pub use self::masking::{first_place, first_word, masked_address, masked_at, masked_line};
use self::server::Server;
pub use self::server::is_here;

/// Where a database is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    Sqlite(PathBuf),
    /// The whole URL. Shown only without its password.
    Postgres(String),
}

impl Address {
    /// Reads `sqlite:PATH` (relative to `base`) or `postgres://...`.
    pub fn parse(text: &str, base: &Path) -> Result<Self, String> {
        if let Some(path) = text.strip_prefix("sqlite:") {
            if path.is_empty() {
                return Err("`sqlite:` needs a path, as in `sqlite:ledger.db`".into());
            }
            if path.contains("://") {
                return Err("a path behind `sqlite:`; a server's address stands without it".into());
            }
            return Ok(Address::Sqlite(base.join(path)));
        }
        if text.starts_with("postgres://") || text.starts_with("postgresql://") {
            Server::of(text).checked()?;
            return Ok(Address::Postgres(text.to_owned()));
        }
        Err("`sqlite:PATH` or `postgres://USER@HOST/DATABASE`".into())
    }

    /// How to name it to a person: never with a password.
    #[must_use]
    pub fn label(&self) -> String {
        match self {
            Address::Sqlite(path) => path.display().to_string(),
            Address::Postgres(url) => masked_address(url).replace(":***@", "@"),
        }
    }

    /// Where to try, in order. A Postgres URL may name several servers, as its own tools allow:
    /// `postgres://USER@HOST1:PORT,HOST2:PORT/DATABASE`. The password that a file has for one is in it: read
    /// anew each time, so that it may be changed while the daemon runs.
    pub(crate) fn urls(&self) -> Result<Vec<String>, String> {
        match self {
            // Paths may hold any character: percent-encode what a URL would read otherwise.
            Address::Sqlite(path) => {
                let path = server::encoded(path.as_os_str().as_encoded_bytes());
                Ok(vec![format!("sqlite://{path}?mode=rw")])
            }
            Address::Postgres(url) => Server::of(url).urls(),
        }
    }

    /// The files that a connection to a server needs.
    #[must_use]
    pub fn files(&self) -> Vec<PathBuf> {
        match self {
            Address::Sqlite(_) => Vec::new(),
            Address::Postgres(url) => Server::of(url).files(),
        }
    }

    /// Those of them that nobody else may read.
    #[must_use]
    pub fn secrets(&self) -> Vec<PathBuf> {
        match self {
            Address::Sqlite(_) => Vec::new(),
            Address::Postgres(url) => Server::of(url).secrets(),
        }
    }

    /// What is to be told of the way to a server, where others on the network could read or change what goes over
    /// it. None: nothing.
    #[must_use]
    pub fn exposed(&self) -> Option<String> {
        match self {
            Address::Sqlite(_) => None,
            Address::Postgres(url) => Server::of(url).exposed(),
        }
    }

    #[must_use]
    pub fn is_sqlite(&self) -> bool {
        matches!(self, Address::Sqlite(_))
    }

    /// True where other processes may write at the same time.
    #[must_use]
    pub fn is_shared(&self) -> bool {
        !self.is_sqlite()
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::Address;

    #[test]
    fn a_url_may_name_several_servers() {
        let urls = |text: &str| Address::Postgres(text.into()).urls().expect("no file is needed");
        assert_eq!(
            urls("postgres://w:a@b@db1:5432,db2/wickline?sslmode=require"),
            [
                "postgres://w:a@b@db1:5432/wickline?sslmode=require",
                "postgres://w:a@b@db2/wickline?sslmode=require"
            ]
        );
        assert_eq!(urls("postgres://w@db/wickline"), ["postgres://w@db/wickline"]);
        assert_eq!(urls("postgres://[::1]:5/w"), ["postgres://[::1]:5/w"]);
    }

    #[test]
    fn a_label_never_shows_a_password() {
        let address = Address::parse("postgres://wickline:s3cret@db/wickline", Path::new("/"));
        assert_eq!(address.map(|a| a.label()).as_deref(), Ok("postgres://wickline@db/wickline"));
        assert!(Address::parse("mysql://x", Path::new("/")).is_err());
    }
}
