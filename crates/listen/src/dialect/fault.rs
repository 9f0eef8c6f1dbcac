//! What is wrong in a dialect file: where, what was found, what is allowed.

use wickline_normalize::Fault;
use wickline_normalize::words::nearest;

/// A fault at a byte of the file's text.
pub(super) fn fault(
    (file, text): (&str, &str),
    at: usize,
    key: &str,
    found: impl Into<String>,
    allowed: impl Into<String>,
) -> Fault {
    let before = text.get(..text.floor_char_boundary(at)).unwrap_or(text);
    let start = before.rfind('\n').map_or(0, |end| end + 1);
    let line = text.get(start..).and_then(|rest| rest.lines().next()).unwrap_or("");
    Fault {
        file: file.to_owned(),
        line: before.matches('\n').count() + 1,
        column: before.get(start..).map_or(1, |begun| begun.chars().count() + 1),
        key: key.to_owned(),
        found: found.into(),
        allowed: allowed.into(),
        text: line.chars().take(200).collect(),
    }
}

/// What the TOML reader says, as a fault. An unknown key names the nearest known one.
pub(super) fn of_toml(source: (&str, &str), error: &toml::de::Error) -> Fault {
    let at = error.span().map_or(0, |span| span.start);
    let message = error.message();
    let mut quoted = message.split('`').skip(1).step_by(2);
    if message.starts_with("unknown field") {
        let key = quoted.next().unwrap_or("");
        let known: Vec<&str> = quoted.collect();
        let near = nearest(key, &known).unwrap_or("");
        let allowed = format!("did you mean `{near}`? Known here: {}", known.join(", "));
        return fault(source, at, key, "a key that does not exist", allowed);
    }
    if message.starts_with("missing field") {
        let key = quoted.next().unwrap_or("");
        return fault(source, at, key, "nothing", "this key has to be given");
    }
    let line = source.1.get(..at).and_then(|text| text.rsplit('\n').next()).unwrap_or("");
    let key = line.split('=').next().unwrap_or("").trim();
    let key = if key.is_empty() { "(file)" } else { key };
    fault(source, at, key, message, "what `config/dialects/two-column.toml` describes")
}
