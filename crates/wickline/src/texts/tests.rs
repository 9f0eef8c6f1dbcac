//! Both languages say the same, and whatever is named in the sources is there.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use wickline_normalize::Reason;
use wickline_normalize::orders::Standing;

use super::{Language, Said, english, portuguese};
use crate::store::state::State;

/// The names in the braces of a text.
fn places(text: &str) -> BTreeSet<&str> {
    text.split('{').skip(1).filter_map(|rest| rest.split('}').next()).collect()
}

#[test]
fn both_languages_have_the_same_places_with_the_same_braces() {
    assert!(english().len() > 50, "the file is not read");
    let keys = |texts: &BTreeMap<String, String>| texts.keys().cloned().collect::<Vec<_>>();
    assert_eq!(keys(english()), keys(portuguese()));
    for (place, text) in english() {
        assert_eq!(places(text), places(&portuguese()[place]), "{place}");
        assert!(!text.trim().is_empty() && !portuguese()[place].trim().is_empty(), "{place}");
    }
}

fn sources(folder: &Path, ending: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(sources(&path, ending));
        } else if path.extension().is_some_and(|e| e == ending) {
            let text = std::fs::read_to_string(&path).expect("a text");
            found.push((path.display().to_string(), text));
        }
    }
    found
}

/// Every place that a template or a page names is there, and no text stands in a template.
#[test]
fn what_is_named_is_there_and_templates_have_no_text_of_their_own() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (file, text) in sources(&root.join("templates/console"), "html") {
        for rest in text.split("t(\"").skip(1) {
            let place = rest.split('"').next().unwrap_or("");
            assert_ne!(Language::English.text(place), "[?]", "{file}: {place}");
        }
        // What stands outside of expressions, statements and tags.
        let mut bare = text.clone();
        for (from, to) in [("{%", "%}"), ("{{", "}}"), ("<", ">")] {
            while let Some((before, rest)) = bare.split_once(from) {
                let after = rest.split_once(to).map_or("", |(_, after)| after);
                bare = format!("{before}{after}");
            }
        }
        bare.retain(char::is_alphabetic);
        assert!(bare.is_empty(), "{file} has a text of its own: {bare}");
    }
    for (file, text) in sources(&root.join("src/console"), "rs") {
        for call in [".text(\"", ".say(\"", ".t(\""] {
            for rest in text.split(call).skip(1) {
                let place = rest.split('"').next().unwrap_or("");
                assert_ne!(Language::English.text(place), "[?]", "{file}: {place}");
            }
        }
        for rest in text.split(".counted(\"").skip(1) {
            let place = rest.split('"').next().unwrap_or("");
            for which in ["one", "several"] {
                let place = format!("{place}.{which}");
                assert_ne!(Language::English.text(&place), "[?]", "{file}: {place}");
            }
        }
    }
}

/// The commands of a text, which are the same whoever reads it.
fn commands(text: &str) -> Vec<&str> {
    text.split('`').skip(1).step_by(2).collect()
}

#[test]
fn both_languages_name_the_same_commands() {
    for (place, text) in english() {
        assert_eq!(commands(text), commands(&portuguese()[place]), "{place}");
    }
}

/// What stands between a bracket and its partner, beyond texts in quotes.
fn within(text: &str) -> &str {
    let (mut depth, mut quoted, mut escaped) = (0, false, false);
    for (at, c) in text.char_indices() {
        match c {
            _ if escaped => escaped = false,
            '\\' if quoted => escaped = true,
            '"' => quoted = !quoted,
            '(' | '[' | '{' if !quoted => depth += 1,
            ')' | ']' | '}' if !quoted && depth == 0 => return &text[..at],
            ')' | ']' | '}' if !quoted => depth -= 1,
            _ => {}
        }
    }
    text
}

/// The parts of an argument list.
fn arguments(list: &str) -> Vec<&str> {
    let (mut parts, mut rest) = (Vec::new(), list);
    while !rest.trim().is_empty() {
        let mut at = 0;
        while let Some(next) = rest[at..].find([',', '(', '[', '{', '"']) {
            at += next;
            match &rest[at..=at] {
                "," => break,
                "\"" => at += 2 + rest[at + 1..].find('"').expect("it ends"),
                _ => at += 2 + within(&rest[at + 1..]).len(),
            }
        }
        let at = if rest[at.min(rest.len())..].starts_with(',') { at } else { rest.len() };
        parts.push(rest[..at].trim());
        rest = rest.get(at + 1..).unwrap_or("");
    }
    parts
}

/// What the sources say by a macro: file, name, and what is put into the braces.
fn said_by(call: &str) -> Vec<(String, String, BTreeSet<String>)> {
    let all = sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), "rs");
    let mut found = Vec::new();
    for (file, text) in all.into_iter().filter(|(file, _)| !file.ends_with("texts/tests.rs")) {
        for (at, _) in text.match_indices(call).filter(|(at, _)| !text[..*at].ends_with('`')) {
            let all = arguments(within(&text[at + call.len()..]));
            let name = all.first().map_or("", |first| first.trim_matches('"'));
            let given =
                all.iter().skip(1).filter_map(|one| Some(one.split_once('=')?.0.trim().to_owned()));
            found.push((file.clone(), name.to_owned(), given.collect()));
        }
    }
    found
}

fn named(place: &str) -> BTreeSet<String> {
    places(Language::English.text(place)).into_iter().map(str::to_owned).collect()
}

/// Whatever the program says is there, with what it puts into the braces and nothing else; and nothing there is said by
/// nobody.
#[test]
fn what_is_said_fits_the_braces_of_its_text() {
    let mut said: BTreeSet<String> = BTreeSet::new();
    for (file, place, given) in said_by("say!(") {
        assert_ne!(Language::English.text(&place), "[?]", "{file}: {place}");
        assert_eq!(given, named(&place), "{file}: {place}");
        said.insert(place);
    }
    assert!(said.len() > 200, "the sources are not read: {said:?}");
    for place in english().keys().filter(|p| SAID.iter().any(|room| p.starts_with(room))) {
        assert!(said.contains(place), "nobody says {place}");
    }
}

/// What to do is a command at a terminal and a place on a page, where nobody is sent to a terminal.
#[test]
fn every_way_is_a_command_and_a_place_on_a_page() {
    let mut ways: BTreeSet<String> = BTreeSet::new();
    for (file, name, given) in said_by("way!(") {
        let (way, here) = (format!("way.{name}"), format!("here.{name}"));
        assert_ne!(Language::English.text(&way), "[?]", "{file}: {way}");
        assert_ne!(Language::English.text(&here), "[?]", "{file}: {here}");
        assert_eq!(given, named(&way), "{file}: {way}");
        assert!(named(&here).is_subset(&given), "{file}: {here}");
        ways.insert(name);
    }
    for (place, text) in english() {
        let Some((room @ ("way" | "here"), name)) = place.split_once('.') else { continue };
        assert!(ways.contains(name), "nobody says {place}");
        assert!(room == "way" || !text.contains("--") && !text.contains("wickline "), "{place}");
    }
}

/// Rooms of the texts that are said by `say!` alone.
const SAID: [&str; 13] = [
    "found.", "do.", "cared.", "asked.", "noted.", "fault.", "strip.", "settle.", "no.", "todo.",
    "barred.", "notice.", "point.",
];

/// Places that are put together from words of the program: each word has its text.
#[test]
fn every_word_of_the_program_has_its_text() {
    let mut places: Vec<String> = Vec::new();
    places.extend(State::ALL.iter().map(|state| format!("state.{}", state.text())));
    places.extend(Reason::ALL.iter().map(|reason| format!("reason.{}", reason.code())));
    places.extend(
        ["passed", "failed", "due", "no-plan", "no-target"].map(|w| format!("control.{w}")),
    );
    places.extend(["nothing", "results", "withdrawn", "unknown"].map(|w| format!("holds.{w}")));
    places.extend((1..=12).map(|month| format!("month.{month:02}")));
    places.extend((0..7).map(|day| format!("weekday.{day}")));
    places.extend(Standing::ALL.iter().map(|one| format!("standing.{}", one.code())));
    for place in places {
        assert_ne!(Language::English.text(&place), "[?]", "{place}");
    }
}

/// What stands in the trail is read back by the text that made it, and nobody's words are taken for ours.
#[test]
fn what_was_kept_is_said_in_either_language() {
    for (kept, pt) in [
        ("held", "retido"),
        (
            "specimen-blank, clock-off",
            "Não foi impressa nenhuma amostra, A hora impressa não pode ser",
        ),
        ("held: controls-due", "retido: Falta material de controlo"),
        ("withdrawn, held under specimen KP-1", "retirado, retido sob amostra KP-1"),
        ("rows 1 to 17 sealed", "linhas 1 a 17 seladas"),
        ("filed, control, level 1, lot held", "arquivado, controlo, nível 1, lote held"),
        ("specimen held", "amostra held"),
        ("GLU: NEG; BLD: 1+", "GLU: NEG; BLD: 1+"),
        ("order 7 of ward", "order 7 of ward"),
        ("set aside by hand", "set aside by hand"),
        ("", ""),
    ] {
        assert_eq!(Said::kept(kept).told(Language::Portuguese), pt, "{kept}");
    }
    for kept in ["held", "rows 1 to 17 sealed", "filed, control, level 1, lot A", "as it was"] {
        assert_eq!(Said::kept(kept).to_string(), kept);
    }
    let object = |text: &str| Said::kept_in("object", text).told(Language::Portuguese);
    assert_eq!(object("report 7 at lis"), "relatório 7 em lis");
    assert_eq!(object("analyzer bench-1, strip ten-pad"), "analisador bench-1, tira ten-pad");
    assert_eq!(object("something else"), "something else");
}

/// Every act of the trail has its name.
#[test]
fn every_verb_of_the_trail_has_its_text() {
    let mut verbs = BTreeSet::new();
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for (file, text) in sources(&src, "rs") {
        if file.contains("/tests") || file.contains("src/cli/queue.rs") {
            continue;
        }
        let named = ["verb: \"", "of(\"person-", "of(\"badge-", "of(\"token-"];
        for (name, start) in named.iter().map(|n| (n, n.rsplit('"').next().unwrap_or(""))) {
            for rest in text.split(name).skip(1) {
                verbs.insert(format!("{start}{}", rest.split('"').next().unwrap_or("")));
            }
        }
    }
    verbs.extend(
        ["configuration", "in-use", "backup", "backup-failed", "purge", "purge-failed"]
            .map(str::to_owned),
    );
    verbs.extend(
        ["pause", "resume", "explain", "unexplain", "undo", "retry", "order", "patient"]
            .map(str::to_owned),
    );
    verbs.extend(["telephoned", "bar", "unbar"].map(str::to_owned));
    assert!(verbs.len() > 40, "{verbs:?}");
    for verb in &verbs {
        assert_eq!(
            Said::verb(verb).to_string(),
            **verb,
            "`trail --verb` finds what the page calls it"
        );
        let place = format!("verb.{verb}");
        assert_ne!(Language::English.text(&place), "[?]", "{place}");
    }
    let known = english().keys().filter_map(|place| place.strip_prefix("verb."));
    for verb in known {
        assert!(verbs.contains(verb), "nothing in the trail is called {verb}");
    }
}

#[test]
fn numbers_are_written_as_people_do() {
    for (n, en, pt) in [
        (0, "0", "0"),
        (9_999, "9999", "9999"),
        (10_000, "10,000", "10\u{202f}000"),
        (1_234_567, "1,234,567", "1\u{202f}234\u{202f}567"),
        (-12_345, "-12,345", "-12\u{202f}345"),
    ] {
        assert_eq!(Language::English.number(n), en);
        assert_eq!(Language::Portuguese.number(n), pt);
    }
    assert_eq!(Language::asked("pt-PT,pt;q=0.9,en;q=0.8"), Some(Language::Portuguese));
    assert_eq!(Language::asked("fr, de"), None);
}
