//! Where a database is, and how it is named to people: never with a password.

mod server;

use std::path::{Path, PathBuf};

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

/// A text in which no server's address shows its password: `postgres://wickline:***@db/wickline`.
#[must_use]
pub fn masked(text: &str) -> String {
    let (mut out, mut rest) = (String::new(), text);
    while let Some(at) = rest.find("://") {
        let end = rest[at..].find(['\n', '"']).map_or(rest.len(), |end| at + end);
        out.push_str(&rest[..at]);
        out.push_str(&masked_address(&rest[at..end]));
        rest = &rest[end..];
    }
    out + rest
}

/// The same for a text that is one address and nothing else.
#[must_use]
pub fn masked_address(text: &str) -> String {
    let Some((scheme, address)) = text.split_once("://") else { return text.to_owned() };
    let (user, place) = address.split_at(address.rfind('@').unwrap_or(0));
    let shown = match user.split_once(':') {
        Some((name, _)) => format!("{scheme}://{name}:***{place}"),
        None => text.to_owned(),
    };
    without_parameter(&shown)
}

/// The same for a password that stands among the parameters.
fn without_parameter(address: &str) -> String {
    let word = "password=";
    let Some(at) = address.to_ascii_lowercase().find(word).map(|at| at + word.len()) else {
        return address.to_owned();
    };
    let end = address[at..].find('&').map_or(address.len(), |end| at + end);
    format!("{}***{}", &address[..at], without_parameter(&address[end..]))
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
        let typed = "ledger = \"postgress://wickline:s3cret@db/wickline\"";
        assert_eq!(super::masked(typed), "ledger = \"postgress://wickline:***@db/wickline\"");
    }
}
