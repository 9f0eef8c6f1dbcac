//! The address of a Postgres server: its parameters, its files, and whether the way to it is closed to others.
//!
//! Parameters have the names that Postgres' own tools give them ("Connection Strings" and "The Password File" in
//! the chapter on libpq of its manual). The driver passes over what it does not know, with TLS left off for one
//! wrong letter: here such a name is refused.

use std::net::IpAddr;
use std::path::{Path, PathBuf};

use wickline_normalize::words::nearest;

/// Parameters that do something. `passfile` is read here, the others by the driver.
const KNOWN: [&str; 12] = [
    "sslmode",
    "sslrootcert",
    "sslcert",
    "sslkey",
    "passfile",
    "host",
    "hostaddr",
    "port",
    "dbname",
    "user",
    "password",
    "options",
];
const MODES: [&str; 6] = ["disable", "allow", "prefer", "require", "verify-ca", "verify-full"];

/// A server's address, taken apart.
pub struct Server<'a> {
    scheme: &'a str,
    user: &'a str,
    hosts: Vec<&'a str>,
    database: &'a str,
    query: Vec<(&'a str, &'a str)>,
}

impl<'a> Server<'a> {
    pub fn of(url: &'a str) -> Self {
        let (scheme, rest) = url.split_once("://").unwrap_or(("postgres", url));
        let (place, query) = rest.split_once('?').unwrap_or((rest, ""));
        let (authority, database) = place.split_at(place.find('/').unwrap_or(place.len()));
        let (user, hosts) = authority.split_at(authority.rfind('@').map_or(0, |at| at + 1));
        let query = query.split('&').filter(|part| !part.is_empty());
        let query = query.map(|part| part.split_once('=').unwrap_or((part, ""))).collect();
        Self { scheme, user, hosts: hosts.split(',').collect(), database, query }
    }

    fn parameter(&self, name: &str) -> Option<String> {
        self.query.iter().rev().find(|(key, _)| *key == name).map(|(_, value)| decoded(value))
    }

    /// Whether a parameter of this name does something.
    pub fn knows(name: &str) -> bool {
        let inner = name.strip_prefix("options[").is_some_and(|rest| rest.ends_with(']'));
        KNOWN.contains(&name) || inner
    }

    /// An error says which parameter is none, or what one may be. What may be a piece of a password is not quoted.
    pub fn checked(&self) -> Result<(), String> {
        let strange = |(name, value): &(&str, &str)| {
            let at = name.contains('@') || value.contains('@');
            at && (!Self::knows(name) || *name == "sslmode")
        };
        let cut = self.database.contains(['@', '#']) || self.query.iter().any(strange);
        if cut || self.user.contains('#') || self.hosts.iter().any(|host| host.contains('#')) {
            return Err("a user and a password in which : / ? # @ % are written as %3A %2F %3F %23 %40 %25; better \
                        passfile=/PATH, a file with the password"
                .into());
        }
        for (name, value) in &self.query {
            if !Self::knows(name) {
                let near = nearest(name, &KNOWN).unwrap_or("sslmode");
                return Err(format!(
                    "no parameter `{name}`: did you mean `{near}`? Known: {}",
                    KNOWN.join(", ")
                ));
            }
            if *name == "sslmode" && !MODES.contains(value) {
                let near = nearest(value, &MODES).unwrap_or("verify-full");
                return Err(format!(
                    "no sslmode `{value}`: did you mean `{near}`? Allowed: {}",
                    MODES.join(", ")
                ));
            }
        }
        match self.files().iter().find(|path| path.is_relative()) {
            Some(path) => {
                let shown = path.display().to_string();
                let shown = if shown.contains('@') { "a file" } else { shown.as_str() };
                Err(format!("the whole path of `{shown}`, from / on"))
            }
            None => Ok(()),
        }
    }

    fn named(&self, names: &[&str]) -> Vec<PathBuf> {
        names.iter().filter_map(|name| self.parameter(name)).map(PathBuf::from).collect()
    }

    pub fn files(&self) -> Vec<PathBuf> {
        self.named(&["sslrootcert", "sslcert", "sslkey", "passfile"])
    }

    pub fn secrets(&self) -> Vec<PathBuf> {
        self.named(&["sslkey", "passfile"])
    }

    /// One URL for each host, with its password where a file has it.
    pub fn urls(&self) -> Result<Vec<String>, String> {
        let passwords = match self.parameter("passfile") {
            None => None,
            Some(path) => {
                let text = std::fs::read_to_string(&path);
                Some(text.map_err(|e| format!("its passfile {path}: {e}"))?)
            }
        };
        let kept = self.query.iter().filter(|(name, _)| *name != "passfile");
        let kept: Vec<String> = kept.map(|(name, value)| format!("{name}={value}")).collect();
        let url = |host: &&str| {
            let mut query = kept.clone();
            let found = passwords.as_deref().and_then(|text| self.password(text, host));
            query.extend(found.map(|word| format!("password={}", encoded(word.as_bytes()))));
            let mark = if query.is_empty() { "" } else { "?" };
            let (scheme, user, database) = (self.scheme, self.user, self.database);
            format!("{scheme}://{user}{host}{database}{mark}{}", query.join("&"))
        };
        Ok(self.hosts.iter().map(url).collect())
    }

    /// The password of the first line that fits: HOST:PORT:DATABASE:USER:PASSWORD, `*` for any.
    fn password(&self, text: &str, host: &str) -> Option<String> {
        let (name, port) = self.place(host);
        let user = self.user.trim_end_matches('@').split(':').next().unwrap_or("");
        let user = self.parameter("user").unwrap_or_else(|| decoded(user));
        let database = decoded(self.database.trim_start_matches('/'));
        let database = self.parameter("dbname").unwrap_or(database);
        let database = if database.is_empty() { user.clone() } else { database };
        let name = if name.starts_with('/') || name.is_empty() { "localhost".into() } else { name };
        let wanted = [name, port, database, user];
        text.lines().filter(|line| !line.starts_with('#')).find_map(|line| {
            let fields = fields(line);
            let fits = |(field, wanted): (&String, &String)| field == "*" || field == wanted;
            let all = fields.len() == 5 && fields.iter().zip(&wanted).all(fits);
            all.then(|| fields.into_iter().next_back()).flatten()
        })
    }

    /// The host and port of one of the servers.
    fn place(&self, host: &str) -> (String, String) {
        let split = host.rsplit_once(':').filter(|(_, port)| port.parse::<u16>().is_ok());
        let port = split.map_or("5432", |(_, port)| port);
        let name = self.parameter("hostaddr").or_else(|| self.parameter("host"));
        let name = name.unwrap_or_else(|| {
            decoded(split.map_or(host, |(name, _)| name)).replace(['[', ']'], "")
        });
        (name, self.parameter("port").unwrap_or_else(|| port.to_owned()))
    }

    /// What others on the network could do, where it is not closed to them.
    pub fn exposed(&self) -> Option<String> {
        let by_environment = |name: &str| std::env::var(name).ok().filter(|v| !v.is_empty());
        let far = self.hosts.iter().map(|host| self.place(host).0).find(|host| {
            let host = if host.is_empty() { by_environment("PGHOST") } else { Some(host.clone()) };
            host.is_some_and(|host| !is_here(&host))
        })?;
        let mode = self.parameter("sslmode").or_else(|| by_environment("PGSSLMODE"));
        let mode = mode.unwrap_or_else(|| "prefer".into());
        (mode != "verify-full").then(|| {
            format!(
                "sslmode is {mode} and {far} is another machine: whoever stands between can read and change what \
                 goes there. Write sslmode=verify-full, and sslrootcert=PATH for an authority of your own"
            )
        })
    }
}

/// Whether a host is this machine, or a socket's folder on it.
#[must_use]
pub fn is_here(host: &str) -> bool {
    let address = host.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
    host.starts_with('/')
        || Path::new(host).is_absolute()
        || host.eq_ignore_ascii_case("localhost")
        || address.is_ok_and(|address| address.is_loopback())
}

/// The fields of a line of a password file; `\` makes the next character literal.
fn fields(line: &str) -> Vec<String> {
    let (mut fields, mut letters) = (vec![String::new()], line.chars());
    while let Some(letter) = letters.next() {
        let last = fields.len();
        match letter {
            // The password is the rest, and may hold colons.
            ':' if last < 5 => fields.push(String::new()),
            '\\' => fields.last_mut().into_iter().for_each(|f| f.extend(letters.next())),
            letter => fields.last_mut().into_iter().for_each(|f| f.push(letter)),
        }
    }
    fields
}

/// Percent-encoded, so that any text can stand in a URL.
#[must_use]
pub fn encoded(bytes: &[u8]) -> String {
    let mut text = String::new();
    for byte in bytes {
        match byte {
            b'/' | b'.' | b'-' | b'_' | b'0'..=b'9' | b'A'..=b'Z' | b'a'..=b'z' => {
                text.push(char::from(*byte));
            }
            _ => text.push_str(&format!("%{byte:02X}")),
        }
    }
    text
}

fn decoded(text: &str) -> String {
    let (mut bytes, mut rest) = (Vec::new(), text.as_bytes());
    while let [first, tail @ ..] = rest {
        let code = tail.get(..2).filter(|_| *first == b'%');
        let code = code.and_then(|code| std::str::from_utf8(code).ok());
        match code.and_then(|code| u8::from_str_radix(code, 16).ok()) {
            Some(byte) => {
                bytes.push(byte);
                rest = tail.get(2..).unwrap_or_default();
            }
            None => {
                bytes.push(*first);
                rest = tail;
            }
        }
    }
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(test)]
mod tests {
    use super::{Server, decoded, encoded};

    #[test]
    fn a_parameter_that_is_none_is_refused_with_the_nearest() {
        let wrong = |url: &str| Server::of(url).checked().expect_err("refused");
        let said = wrong("postgres://w@db/w?sslmod=verify-full");
        assert!(said.contains("`sslmod`") && said.contains("did you mean `sslmode`"), "{said}");
        let said = wrong("postgres://w@db/w?sslmode=verify_full");
        assert!(said.contains("did you mean `verify-full`"), "{said}");
        let said = wrong("postgres://w@db/w?passfile=pgpass");
        assert!(said.contains("`pgpass`"), "{said}");
        let good =
            "postgres://w@db1,db2:5433/w?sslmode=verify-full&sslrootcert=/ca.pem&options[a.b]=c";
        assert_eq!(Server::of(good).checked(), Ok(()));
    }

    #[test]
    fn a_way_over_the_network_is_told_unless_it_is_closed() {
        for (url, told) in [
            ("postgres://w@192.0.2.7/w", true),
            ("postgres://w@db.example/w?sslmode=require", true),
            ("postgres://w@127.0.0.1,192.0.2.7/w", true),
            ("postgres://w@localhost/w?host=db.example", true),
            ("postgres://w@db.example/w?sslmode=verify-full", false),
            ("postgres://w@127.8.8.8:21432/w", false),
            ("postgres://w@[::1]:5/w", false),
            ("postgres://w@localhost/w", false),
            ("postgres://w@%2Frun%2Fpostgresql/w", false),
            ("postgres:///w?host=/run/postgresql", false),
        ] {
            assert_eq!(Server::of(url).exposed().is_some(), told, "{url}");
        }
    }

    #[test]
    fn a_password_is_of_the_first_line_that_fits() {
        let text = "# host:port:database:user:password\ndb:5432:w:other:no\ndb2:*:*:w:two:2\n\
                    db:5432:w:w:a\\:b\\\\c\n*:*:*:*:last\n";
        let of = |url: &str, host: &str| Server::of(url).password(text, host);
        assert_eq!(of("postgres://w@db/w", "db").as_deref(), Some("a:b\\c"));
        assert_eq!(of("postgres://w@db2:7/w", "db2:7").as_deref(), Some("two:2"));
        assert_eq!(of("postgres://w@db3/w", "db3").as_deref(), Some("last"));
        assert_eq!(decoded(&encoded("a:b\\c%@&=".as_bytes())), "a:b\\c%@&=");
    }
}
