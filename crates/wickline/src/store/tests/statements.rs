//! Every statement of the store, found by reading its sources, is prepared on both databases.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use sqlx::{AssertSqlSafe, Executor, SqlSafeStr};

use super::schemas::postgres;
use crate::address::Address;
use crate::store::db::Db;
use crate::store::ledger::Ledger;
use crate::store::moving;
use crate::store::tape::Tape;
use crate::testing::scratch;

/// What the program puts into a statement: the file, the name of the part, each text that it can be.
/// `^...` is the text of the same file that begins so.
const PARTS: &[(&str, &str, &[&str])] = &[
    ("lists/calls.rs", "these", &["$2, $3"]),
    ("lists/day.rs", "these", &["$2, $3"]),
    ("lists/day.rs", "those", &["$1, $2"]),
    ("lists/find.rs", "these", &["$1, $2"]),
    ("lists/queue.rs", "open", &["", "AND m.state <> 'accepted'"]),
    ("lists/queue.rs", "passing", &["", "AND NOT {DISPUTED}"]),
    ("lists/reports.rs", "these", &["$1, $2"]),
    ("lists/sheet.rs", "these", &["$1, $2"]),
    ("rows/absent.rs", "again", &["", "^ON CONFLICT"]),
    (
        "rows/report_entry.rs",
        "which",
        &[
            "(day IN ($2) OR substr(taken_at, 1, 10) IN ($2)) AND (number IN ($3) OR (number IS NULL AND \
             specimen IN ($3)))",
            "(number IN ($3) OR ((day IN ($2)) AND number IS NULL AND specimen IN ($3)))",
        ],
    ),
    ("rows/report_entry.rs", "upper", &["4"]),
    ("rows/report_entry.rs", "instrument", &["5"]),
    ("rows/order.rs", "these", &["$1, $2"]),
    ("rows/purged.rs", "these", &["$1, $2"]),
    ("rows/question.rs", "these", &["$2, $3"]),
    // What is bound has its type; what is only prepared must say it.
    (
        "rows/queue.rs",
        "values",
        &["(CAST($1 AS BIGINT), CAST($2 AS BIGINT), CAST($3 AS BLOB), CAST($4 AS BIGINT), \
          CAST($5 AS TEXT))"],
    ),
    ("trail.rs", "", &["(CAST($1 AS BIGINT), CAST($2 AS TEXT))"]),
];

/// Tables that the tape has for what it remembers of the ledger.
const NOTED: [&str; 2] = ["ledger_seen", "line_read"];

/// A text in a source: where it begins and ends there, and what it says.
struct Literal {
    from: usize,
    to: usize,
    text: String,
}

/// The texts of a source in their order, lines joined where the source joins them.
fn literals(source: &str) -> Vec<Literal> {
    let (mut found, mut at) = (Vec::new(), 0);
    while let Some(rest) = source.get(at..).filter(|rest| !rest.is_empty()) {
        let step = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("'\"'") || rest.starts_with("b'\"'") {
            rest.find('"').unwrap_or(0) + 2
        } else if let Some(inner) = rest.strip_prefix('"') {
            let (text, length) = literal(inner);
            found.push(Literal { from: at, to: at + 1 + length, text });
            1 + length
        } else {
            rest.chars().next().map_or(1, char::len_utf8)
        };
        at += step;
    }
    found
}

/// What stands before the closing quote, and how many bytes it takes with it.
fn literal(inner: &str) -> (String, usize) {
    let (mut text, mut chars) = (String::new(), inner.char_indices().peekable());
    while let Some((at, c)) = chars.next() {
        match c {
            '"' => return (text, at + 1),
            '\\' => match chars.next() {
                Some((_, '\n')) => while chars.next_if(|(_, c)| c.is_whitespace()).is_some() {},
                Some((_, 'n')) => text.push('\n'),
                Some((_, c)) => text.push(c),
                None => {}
            },
            c => text.push(c),
        }
    }
    panic!("a text without an end: {text}")
}

/// The store's sources by their place in it, without their tests.
fn sources() -> BTreeMap<String, String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/store");
    let (mut found, mut folders) = (BTreeMap::new(), vec![root.clone()]);
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).expect("a folder").flatten() {
            let path: PathBuf = entry.path();
            let name = path.strip_prefix(&root).expect("inside").to_string_lossy().into_owned();
            if path.is_dir() && !name.ends_with("tests") {
                folders.push(path);
            } else if name.ends_with(".rs") && !name.ends_with("tests.rs") {
                let text = fs::read_to_string(&path).expect("a source is text");
                let end = text
                    .find("#[cfg(test)]\nmod tests {")
                    .or(text.find("#[cfg(test)]\npub(crate) mod tests {"));
                found.insert(name, text[..end.unwrap_or(text.len())].to_owned());
            }
        }
    }
    found
}

/// A constant of a file, of the file above it, or of one from which it is taken: its text, or its figures.
fn constant(files: &BTreeMap<String, String>, file: &str, name: &str) -> Option<String> {
    let above = file.rsplit_once('/').into_iter();
    let above = above.flat_map(|(folder, _)| [format!("{folder}.rs"), format!("{folder}/mod.rs")]);
    let taken = files[file].lines().filter_map(|line| {
        let path = line.strip_prefix("use crate::store::")?.strip_suffix(&format!("::{name};"))?;
        Some(format!("{}.rs", path.replace("::", "/")))
    });
    [file.to_owned()].into_iter().chain(above).chain(taken).find_map(|file| {
        let source = files.get(&file)?;
        let at = source.find(&format!("const {name}: "))?;
        let value = source[at..].split_once(" =")?.1.trim_start();
        match value.strip_prefix('"') {
            Some(inner) => Some(literal(inner).0),
            None => Some(value.split(';').next()?.replace('_', "")),
        }
    })
}

/// `($1, $2)` for the columns in the brackets before a VALUES.
fn values(before: &str) -> String {
    let open = before.rfind('(').expect("columns before VALUES");
    let columns = before[open..].split(',').count();
    let list: Vec<String> = (1..=columns).map(|n| format!("${n}")).collect();
    format!("({})", list.join(", "))
}

/// Every text that a statement with parts can be.
fn filled(files: &BTreeMap<String, String>, file: &str, sql: &str) -> Vec<String> {
    let Some((before, rest)) = sql.split_once('{') else { return vec![sql.to_owned()] };
    let (part, after) = rest.split_once('}').expect("a part has an end");
    let known = PARTS.iter().find(|(f, p, _)| (*f, *p) == (file, part)).map(|(_, _, all)| *all);
    let texts: Vec<String> = match known {
        Some(all) => all.iter().map(|text| own_text(files, file, text)).collect(),
        None if part.is_empty() && before.ends_with("VALUES ") => vec![values(before)],
        None => vec![constant(files, file, part).unwrap_or_else(|| {
            panic!("{file}: nothing is known of `{{{part}}}` in: {sql}\nAdd it to PARTS")
        })],
    };
    texts.iter().flat_map(|text| filled(files, file, &format!("{before}{text}{after}"))).collect()
}

fn own_text(files: &BTreeMap<String, String>, file: &str, text: &str) -> String {
    let Some(start) = text.strip_prefix('^') else { return text.to_owned() };
    let found = literals(&files[file]).into_iter().find(|l| l.text.starts_with(start));
    found.unwrap_or_else(|| panic!("{file}: no text begins with {start}")).text
}

/// A statement of `moving`, for each table.
fn for_each_table(sql: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (table, columns) in moving::tests::known() {
        let key = moving::tests::key(&table);
        if sql.contains("{key}") && key.is_none() {
            continue;
        }
        let sql = sql.replace("{columns}", &columns.join(", ")).replace("{key}", key.unwrap_or(""));
        let sql =
            sql.replace("FROM {table}", "FROM {}").replace("FROM {}", &format!("FROM {table}"));
        let sql = sql.replace("INTO {}", &format!("INTO {table}"));
        let sql = if sql.ends_with(" FROM") { format!("{sql} {table}") } else { sql };
        found.push(match sql.split_once("VALUES {}") {
            Some((before, _)) => format!("{before}VALUES {}", values(before)),
            None => sql,
        });
    }
    found
}

/// The statements that one text of a file is or is part of; none where it is no SQL.
fn statements(files: &BTreeMap<String, String>, file: &str, literal: &Literal) -> Vec<String> {
    let text = literal.text.trim();
    let verbs = [
        "SELECT ",
        "INSERT INTO ",
        "UPDATE ",
        "DELETE FROM",
        "WITH ",
        "{COLUMNS} WHERE ",
        "{LISTED} WHERE ",
    ];
    if text.starts_with("WHERE ") {
        assert_eq!(file, "lists/reports.rs", "what comes before `{text}`?");
        let head = |name| constant(files, file, name).expect("a constant");
        return ["LISTED", "WHOLE"].map(|name| format!("{} {text}", head(name))).into();
    }
    if !verbs.iter().any(|verb| text.starts_with(verb)) {
        return Vec::new();
    }
    if file == "moving.rs" && (text.contains('{') || text.ends_with("FROM")) {
        return for_each_table(text);
    }
    let behind = files[file][literal.to..].trim_start_matches([',', ' ', '\n']);
    let Some(lease) = behind.strip_prefix("under_lease!(\"") else {
        return filled(files, file, text);
    };
    let mut places = lease.split('"');
    let (token, name) = (places.next().unwrap_or(""), places.nth(1).unwrap_or(""));
    vec![format!("{text} AND {token} = coalesce((SELECT token FROM lease WHERE name = {name}), 0)")]
}

/// Where each stands, and its text.
pub(super) type Named = Vec<(String, String)>;

/// Every statement with the place where it stands; those of the tape apart.
pub(super) fn all() -> (Named, Named) {
    let files = sources();
    let (mut ledger, mut tape) = (Vec::new(), Vec::new());
    for (file, source) in &files {
        for literal in literals(source) {
            let line = source[..literal.from].matches('\n').count() + 1;
            for sql in statements(&files, file, &literal) {
                let of_tape = file.starts_with("tape") || NOTED.iter().any(|t| sql.contains(t));
                let list = if of_tape { &mut tape } else { &mut ledger };
                list.push((format!("{file}:{line}"), sql));
            }
        }
    }
    (ledger, tape)
}

async fn prepare(db: &Db, statements: &[(String, String)], foreign: &str) {
    let mut conn = db.read().await.expect("a connection");
    for (place, sql) in statements.iter().filter(|(_, sql)| !sql.contains(foreign)) {
        let sql = if db.is_shared() { sql.replace("AS BLOB", "AS BYTEA") } else { sql.clone() };
        let done = conn.prepare(AssertSqlSafe(sql.as_str()).into_sql_str()).await;
        assert!(done.is_ok(), "store/{place}: {:?}\n{sql}", done.err());
    }
}

#[tokio::test]
async fn every_statement_can_be_prepared_on_both_databases() {
    let (of_ledger, of_tape) = all();
    assert!(of_ledger.len() > 200 && of_tape.len() > 7, "{} {}", of_ledger.len(), of_tape.len());
    let folder = scratch("statements");
    let (tape, _) = Tape::open(&folder.join("tape.db"), 0, None).await.expect("a tape");
    prepare(&tape.db(), &of_tape, "pg_").await;
    let file = Ledger::open(Address::Sqlite(folder.join("ledger.db"))).await.expect("a ledger");
    prepare(&file.db, &of_ledger, "pg_").await;
    if let Some(address) = postgres("statements").await {
        let server = Ledger::open(address).await.expect("a ledger");
        prepare(&server.db, &of_ledger, "sqlite_").await;
    }
}
