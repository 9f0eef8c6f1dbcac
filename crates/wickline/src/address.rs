//! Where a database is, and how it is named to people: never with a password.

use std::path::{Path, PathBuf};

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
            return Ok(Address::Postgres(text.to_owned()));
        }
        Err("allowed: `sqlite:PATH` or `postgres://USER@HOST/DATABASE`".into())
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
    /// `postgres://USER@HOST1:PORT,HOST2:PORT/DATABASE`.
    pub(crate) fn urls(&self) -> Vec<String> {
        match self {
            // Paths may hold any character: percent-encode what a URL would read otherwise.
            Address::Sqlite(path) => {
                let mut url = String::from("sqlite://");
                for byte in path.as_os_str().as_encoded_bytes() {
                    match byte {
                        b'/' | b'.' | b'-' | b'_' | b'0'..=b'9' | b'A'..=b'Z' | b'a'..=b'z' => {
                            url.push(char::from(*byte));
                        }
                        _ => url.push_str(&format!("%{byte:02X}")),
                    }
                }
                url.push_str("?mode=rw");
                vec![url]
            }
            Address::Postgres(url) => {
                let (scheme, rest) = url.split_once("://").unwrap_or(("postgres", url));
                let (authority, path) = rest.split_at(rest.find('/').unwrap_or(rest.len()));
                let (user, hosts) = authority.split_at(authority.rfind('@').map_or(0, |at| at + 1));
                hosts.split(',').map(|host| format!("{scheme}://{user}{host}{path}")).collect()
            }
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

const SERVERS: [&str; 2] = ["postgres://", "postgresql://"];

/// A text in which no server's address shows its password: `postgres://wickline:***@db/wickline`.
#[must_use]
pub fn masked(text: &str) -> String {
    let (mut out, mut rest) = (String::new(), text);
    while let Some(at) = SERVERS.iter().filter_map(|s| rest.find(s)).min() {
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
        let urls = |text: &str| Address::Postgres(text.into()).urls();
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
