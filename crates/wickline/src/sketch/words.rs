//! Words of prints in English, German, French, Spanish, Italian and Portuguese: what they most likely mean.
//!
//! Common practice, from memory; no published source. Every use of them is a guess and is asked about, but for words
//! that the strips of the program know anyway. Labels are those of the shipped strips, and a few whole words more.

use std::sync::OnceLock;

use wickline_normalize::Strip;
use wickline_normalize::strip::Pad;
use wickline_normalize::units;
use wickline_normalize::words::fold;

use super::dates::{is_date, named_day};

/// What a word of a header line announces.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    Number,
    Specimen,
    Operator,
    Strip,
    Lot,
    Expiry,
    Level,
    Time,
    Date,
    Control,
    Urgent,
    /// How many readings there are.
    Count,
    /// A person: never written into a draft.
    Name,
}

const KEYS: &[(Key, &str)] = &[
    (
        Key::Number,
        "no n nr num number test run ticket seq sequence messung essai prueba esame exame prova teste numero lfd",
    ),
    (
        Key::Specimen,
        "id specimen sample patient pt probe proben-id echantillon prelevement muestra campione amostra for tube \
         flacon rohr roehrchen frasco provetta",
    ),
    (
        Key::Operator,
        "operator op oper user by bediener benutzer operateur operador operatore utente agent tecnico tecnica \
         technician technicien",
    ),
    (Key::Strip, "strip streifen bandelette tira striscia"),
    (Key::Lot, "lot charge lote lotto"),
    (Key::Expiry, "exp expiry expires verfall peremption caducidad scadenza validade"),
    (Key::Level, "level stufe niveau nivel livello"),
    (Key::Time, "time zeit uhrzeit heure hora ora ore at um a"),
    (Key::Date, "date datum fecha data del le"),
    (
        Key::Control,
        "control qc kontrolle controle controllo ctl ctrl check kontrollmaterial temoin",
    ),
    (
        Key::Urgent,
        "urgent stat rush emergency asap eilt eilig eilfall eilprobe notfall dringend urgence urgente urg urgencia \
         urgenza emergencia cito",
    ),
    (Key::Name, "name surname nom nombre nome cognome vorname paciente paziente"),
    (Key::Count, "count total tot anzahl nombre totale conteggio"),
];

/// How longer words begin that may mean a class, and what a class is called. A word that only begins so is asked about
/// wherever it stands.
const CLASSES: &[(Key, &str, &str)] = &[
    (
        Key::Urgent,
        "urgent work",
        "urgen eilt eilig eilauf eilprob eilfall notfall dringlich dringend emergenc priorit vorrang sofort",
    ),
    (
        Key::Control,
        "control material",
        "control kontroll controll ctrl calibr kalibr qualit qk temoin",
    ),
];

/// Days of the week in six languages, folded; those of two and three letters first.
const WEEKDAYS: &str = "mo di mi do fr sa so mon tue wed thu fri sat sun lun mar mer jeu ven sam dim mie jue vie sab \
     dom gio seg ter qua qui sex monday tuesday wednesday thursday friday saturday sunday montag dienstag mittwoch \
     donnerstag freitag samstag sonnabend sonntag lundi mardi mercredi jeudi vendredi samedi dimanche lunes martes \
     miercoles jueves viernes sabado domingo lunedi martedi mercoledi giovedi venerdi domenica segunda terca quarta \
     quinta sexta";

/// Little words before whoever ran it, where a date or time stands before them.
const BY: &str = "by von par por da";

const GRADES: &[(&str, &str)] = &[
    (
        "NEG",
        "neg neg. negative negativ negativo negatif negativa negativi negativos negatifs assente assenti absent \
         absente absents ausente ausentes",
    ),
    ("NORM", "norm norm. normal normale normali"),
    ("TR", "tr trace traces spur spuren traza trazas traccia tracce traco tracos"),
    ("0.5+", "0.5+"),
    ("1+", "1+ +1"),
    ("2+", "2+ +2 ++"),
    ("3+", "3+ +3 +++"),
    ("4+", "4+ +4 ++++"),
    ("5+", "5+ +5"),
    (
        "POS",
        "pos pos. positive positiv positivo positif positiva positivi positivos positifs presente presenti present \
         presents presentes vorhanden",
    ),
];

/// Whole words that no shipped strip has as a label.
const LABELS: &[(&str, &str)] = &[
    ("PH", "ph-wert"),
    ("GLU", "sugar"),
    ("GLU", "zucker"),
    ("GLU", "sucre"),
    ("GLU", "azucar"),
    ("GLU", "zucchero"),
    ("GLU", "acucar"),
    ("PH", "ph value"),
    ("SG", "rel. dichte"),
    ("SG", "densita"),
    ("LEU", "leucocytes esterase"),
    ("BLD", "blood (hb)"),
    ("BLD", "erythrocytes"),
    ("BLD", "hemoglobin"),
    ("URO", "urobilin"),
    ("SG", "spec. gravity"),
    ("SG", "relative dichte"),
    ("KET", "ketonkoerper"),
    ("BLD", "haemoglobin"),
];

const UNREAD: &[&str] = &[
    "----",
    "--",
    "---",
    "????",
    "???",
    "?",
    "##",
    "####",
    "err",
    "err.",
    "fehler",
    "erro",
    "error",
    "erreur",
    "errore",
    "not read",
    "no reading",
    "unread",
    "nicht gelesen",
    "nicht lesbar",
    "non lu",
    "non lus",
    "no leido",
    "nao lido",
    "non letto",
    "non letti",
    "illegibile",
];
const OFF: &[&str] = &[
    "off",
    "aus",
    "arret",
    "apagado",
    "spento",
    "desligado",
    "disabled",
    "abgeschaltet",
    "inactivo",
    "inattivo",
];
const COMPARATORS: &[(&str, &str)] = &[
    ("at least", ">="),
    ("from", ">="),
    ("ab", ">="),
    ("up to", "<="),
    ("bis", "<="),
    ("hasta", "<="),
    ("fino a", "<="),
    ("mindestens", ">="),
    ("au moins", ">="),
    ("al menos", ">="),
    ("almeno", ">="),
    ("pelo menos", ">="),
    ("above", ">"),
    ("over", ">"),
    ("uber", ">"),
    ("ueber", ">"),
    ("plus de", ">"),
    ("mas de", ">"),
    ("oltre", ">"),
    ("mais de", ">"),
    ("under", "<"),
    ("below", "<"),
    ("unter", "<"),
    ("moins de", "<"),
    ("menos de", "<"),
    ("sotto", "<"),
];
/// Words that stand behind a number or its unit.
const BEHIND: &[(&str, &str)] = &[
    ("or more", ">="),
    ("or less", "<="),
    ("or above", ">="),
    ("or below", "<="),
    ("or over", ">="),
    ("or under", "<="),
    ("and up", ">="),
    ("& up", ">="),
    ("and more", ">="),
    ("and less", "<="),
    ("and over", ">="),
    ("and above", ">="),
    ("and below", "<="),
    ("oder mehr", ">="),
    ("oder weniger", "<="),
    ("und mehr", ">="),
    ("und weniger", "<="),
    ("ou plus", ">="),
    ("ou moins", "<="),
    ("et plus", ">="),
    ("et moins", "<="),
    ("o mas", ">="),
    ("o menos", "<="),
    ("y mas", ">="),
    ("y menos", "<="),
    ("o piu", ">="),
    ("o meno", "<="),
    ("e piu", ">="),
    ("e meno", "<="),
    ("ou mais", ">="),
    ("ou menos", "<="),
    ("e mais", ">="),
    ("e menos", "<="),
    ("of meer", ">="),
    ("of minder", "<="),
    ("en meer", ">="),
    ("en minder", "<="),
];
const MARKS: &[(&str, &[&str])] = &[
    (
        "abnormal",
        &[
            "*", "**", "^", "!", "!!", "#", "A", "<A>", "[A]", "(A)", "(*)", "(!)", "<!>", "[!]",
            "ABN",
        ],
    ),
    ("high", &["H", "HH", "<H>", "[H]", "(H)", "HI", "↑"]),
    ("low", &["L", "LL", "<L>", "[L]", "(L)", "LO", "↓"]),
];
const AM: &[&str] = &["am", "a.m."];
const PM: &[&str] = &["pm", "p.m."];
/// Every pad of the program with its labels: the longest shipped strip.
pub fn known() -> Option<&'static Strip> {
    static KNOWN: OnceLock<Option<Strip>> = OnceLock::new();
    KNOWN.get_or_init(|| Strip::builtin("fourteen-pad")).as_ref()
}

/// The pad that a label most likely names; brackets, and what stands in brackets behind it, may be part of it.
pub fn pad(label: &str) -> Option<&'static Pad> {
    let led = label.trim_end_matches(['.', '_']);
    let label = if label.len() > led.len() + 1 { led } else { label };
    let bare = label.trim_matches(['[', ']', '(', ')', '<', '>']).trim();
    let (before, inside) = bare.split_once('(').unwrap_or((bare, ""));
    [label, bare, before.trim(), inside.trim()]
        .into_iter()
        .filter(|text| !text.is_empty())
        .find_map(named)
}

fn named(label: &str) -> Option<&'static Pad> {
    let strip = known()?;
    let folded = fold(label);
    let more = || LABELS.iter().find(|(_, name)| *name == folded).map(|(id, _)| *id);
    let known = strip.pad_of(label).and_then(|at| strip.pads.get(at));
    let known = known.or_else(|| strip.pad(more()?)).or_else(|| shortened(strip, &folded));
    known.or_else(|| abbreviated(strip, &folded))
}

/// The pad of a label of which a word is cut short with a full stop, as `urobilinog.` or `c. cetonicos`: four letters
/// of it at least stand there. None: those of several pads are cut so, or it is a word that stands in headers.
fn abbreviated<'s>(strip: &'s Strip, folded: &str) -> Option<&'s Pad> {
    if !folded.contains('.') || folded.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let parts: Vec<&str> = folded.split(' ').collect();
    let long = parts.iter().any(|part| part.trim_end_matches('.').chars().count() >= 4);
    if !long || parts.iter().any(|part| key(part).is_some()) {
        return None;
    }
    let is = |name: &str| {
        let words: Vec<&str> = name.split(' ').collect();
        words.len() == parts.len()
            && parts.iter().zip(&words).all(|(part, word)| match part.strip_suffix('.') {
                Some(begun) => word.starts_with(begun) && !begun.is_empty(),
                None => part == word,
            })
    };
    strip.pads.get(strip.labelled(is)?)
}

/// The running index before the label of a line, as `01` or `3.`: how many it counts, and the line behind it.
pub fn index(line: &str) -> Option<(u32, &str)> {
    let (word, rest) = line.trim_start().split_once([' ', '\t'])?;
    let count = word.trim_end_matches(['.', ')']).parse().ok().filter(|_| word.len() < 4)?;
    let rest = rest.trim_start();
    (rest.starts_with(char::is_alphabetic) && begins(rest).is_some()).then_some((count, rest))
}

/// Whether words in brackets say that there is nothing, as `(sin id)`.
pub fn is_nothing(word: &str) -> bool {
    let folded = fold(word);
    "no not none without ohne kein keine sans sin senza sem nessuno ninguno nenhum aucun"
        .split(' ')
        .any(|w| w == folded)
}

/// The pad of a label that is the beginning of a known one, in three letters at least; not of a word that stands in
/// headers.
fn shortened<'s>(strip: &'s Strip, folded: &str) -> Option<&'s Pad> {
    let mut keys = KEYS.iter().flat_map(|(_, words)| words.split(' '));
    let letters = folded.len() > 2 && folded.bytes().all(|b| b.is_ascii_lowercase());
    let elsewhere = |word: &str| grade(word).is_some() || is_unread(word) || is_off(word);
    let own = letters && !elsewhere(folded) && !keys.any(|key| key.starts_with(folded));
    strip.pads.get(strip.begun_by(folded).filter(|_| own)?)
}

/// Whether a label as it was read is only the first words of the one that is printed there: a blank ended it.
pub fn is_cut(label: &str, line: &str) -> bool {
    let longer = |rest: &str| {
        let words = rest.match_indices([' ', '\t', ':', '=']).map(|(at, _)| at);
        let ends: Vec<usize> =
            words.chain([rest.len()]).take_while(|end| *end <= 40).take(4).collect();
        let behind = ends.into_iter().filter(|end| *end > label.len());
        behind.filter_map(|end| rest.get(..end)).any(|text| {
            let more = text.get(label.len()..).unwrap_or("");
            more.starts_with([' ', '\t'])
                && more.contains(char::is_alphabetic)
                && named(text.trim()).is_some()
        })
    };
    line.match_indices(label).filter_map(|(at, _)| line.get(at..)).any(longer)
}

/// The pad whose label a text begins with, and what stands behind the label; a mark may stand before it.
pub fn begins(text: &str) -> Option<(&'static Pad, &str)> {
    let text = text.trim_start();
    let text = match text.split_once([' ', '\t']) {
        Some((word, rest)) if mark(word).is_some() => rest.trim_start(),
        _ => text,
    };
    let ends = text.match_indices([' ', '\t', ':', '=']).map(|(at, _)| at).chain([text.len()]);
    let mut ends: Vec<usize> = ends.take(6).collect();
    ends.reverse();
    ends.into_iter().find_map(|end| {
        let label = text.get(..end)?.trim_end_matches([' ', '\t', ':', '=']);
        Some((pad(label)?, text.get(end..)?.trim_start_matches([' ', '\t', ':', '='])))
    })
}

/// The pads that a line names: at its beginning, at the beginning of its fields, or one behind the other.
pub fn labels(line: &str) -> Vec<&'static str> {
    if is_dated(line) {
        return Vec::new();
    }
    let apart =
        line.split([';', '|', '\t', ',']).filter_map(begins).map(|(pad, _)| pad.id.as_str());
    let apart: Vec<&'static str> = apart.collect();
    let words: Vec<&'static str> =
        line.split_whitespace().filter_map(pad).map(|pad| pad.id.as_str()).collect();
    let several = words.len() > 2 || words.len() > 1 && !apart.is_empty();
    if several && words.len() > apart.len() {
        return words;
    }
    if apart.is_empty() {
        ends(line).into_iter().map(|(pad, _)| pad.id.as_str()).collect()
    } else {
        apart
    }
}

/// Whether a date stands behind the first word of a line: that is no label, whatever it reads like (`Le 18/03/2026`).
pub fn is_dated(line: &str) -> bool {
    let behind = line.split_whitespace().skip(1).take(3).map(|word| word.trim_end_matches(','));
    let behind: Vec<&str> = behind.collect();
    behind.first().is_some_and(|word| is_date(word)) || named_day(&behind).is_some()
}

/// The pad whose label stands behind its result at the end of a line, and the label; a mark may stand behind it.
pub fn ends(line: &str) -> Option<(&'static Pad, &str)> {
    let first = line.split_whitespace().next()?;
    let two = line.split_whitespace().take(2).collect::<Vec<_>>().join(" ");
    let figure = first.starts_with(|c: char| c.is_ascii_digit());
    if !figure && grade(first).is_none() && !is_unread(first) && !is_unread(&two) {
        return None;
    }
    let line = line.trim_end();
    let line = match line.rsplit_once([' ', '\t']) {
        Some((before, word)) if !word.contains(char::is_alphanumeric) => before.trim_end(),
        _ => line,
    };
    let begins = line.match_indices([' ', '\t']).map(|(at, _)| at + 1);
    let begins: Vec<usize> = begins.collect();
    begins.into_iter().rev().take(3).find_map(|at| {
        let label = line.get(at..)?.trim();
        Some((pad(label)?, label))
    })
}

/// What a word of a header line announces.
pub fn key(word: &str) -> Option<Key> {
    let folded = fold(word.trim_matches(|c: char| !c.is_alphanumeric()));
    if folded.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let bare: String = folded.chars().filter(|c| c.is_ascii_alphabetic() || *c == '-').collect();
    let known =
        |bare: &str| KEYS.iter().find(|(_, words)| words.split(' ').any(|word| word == bare));
    // Of a word in two parts either tells: `Pat-ID`.
    let part = || bare.rsplit('-').find_map(|part| known(part).filter(|_| part.len() > 1));
    known(&bare).or_else(part).map(|(key, _)| *key)
}

/// The words of a line that may mean control material or urgent work, as printed, each with the class.
pub fn classes(line: &str) -> Vec<(&str, Key, &'static str)> {
    let words = line.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    let class = |word: &str| {
        let folded = fold(word);
        let own = key(word);
        let row = CLASSES.iter().find(|(class, _, begun)| {
            own == Some(*class) || begun.split(' ').any(|begun| folded.starts_with(begun))
        })?;
        Some((row.0, row.1))
    };
    words.filter_map(|word| class(word).map(|(key, called)| (word, key, called))).collect()
}

/// Whether a word is a day of the week, cut short or whole: it stands before a date, and changes.
pub fn is_weekday(word: &str) -> bool {
    let folded = fold(word.trim_end_matches(['.', ',']));
    let own = |day: &str| {
        folded.len() > 1 && (day == folded || folded.len() > 3 && day.starts_with(&folded))
    };
    WEEKDAYS.split_whitespace().any(own)
}

/// What a word answers to a question of class, where it is an answer.
pub fn answer(word: &str) -> Option<bool> {
    let folded = fold(word.trim_matches(|c: char| !c.is_alphanumeric()));
    match folded.as_str() {
        "yes" | "y" | "ja" | "j" | "oui" | "o" | "si" | "s" | "sim" | "x" | "1" => Some(true),
        "no" | "n" | "nein" | "non" | "nao" | "0" => Some(false),
        _ => None,
    }
}

/// Whether whoever ran it most likely stands behind this word.
pub fn is_by(word: &str) -> bool {
    let folded = fold(word);
    BY.split(' ').any(|by| by == folded)
}

/// The grade that a word means on any pad.
pub fn grade(word: &str) -> Option<&'static str> {
    let folded = fold(word);
    // A comma behind a grade stays with it.
    let folded = folded.strip_suffix(',').unwrap_or(&folded);
    let means = |words: &str| words.split_whitespace().any(|known| known == folded);
    GRADES.iter().find(|(_, words)| means(words)).map(|(code, _)| *code)
}

/// The grade that a word means on this pad: colours and clarities have words of their own.
pub fn grade_on(pad: &Pad, word: &str) -> Option<String> {
    grade(word).map(str::to_owned).or_else(|| pad.grade_of(word).map(str::to_owned))
}

/// Whether a word is a grade somewhere.
pub fn is_grade(word: &str) -> bool {
    let nominal = |pad: &Pad| pad.grade_of(word).is_some();
    grade(word).is_some() || known().is_some_and(|strip| strip.pads.iter().any(nominal))
}

pub fn is_unread(word: &str) -> bool {
    let folded = fold(word);
    let says = |pad: &Pad| pad.says_unread(word);
    UNREAD.contains(&folded.as_str()) || known().is_some_and(|strip| strip.pads.iter().any(says))
}

pub fn is_off(word: &str) -> bool {
    OFF.contains(&fold(word).as_str())
}

/// A word for a comparator at the beginning of a text, as printed, and its sign.
pub fn comparator(text: &str) -> Option<(&str, &'static str)> {
    COMPARATORS.iter().find_map(|(word, sign)| {
        let count = word.split(' ').count();
        let end = text.match_indices(' ').nth(count - 1).map(|(at, _)| at)?;
        let printed = text.get(..end)?;
        (fold(printed) == *word).then_some((printed, *sign))
    })
}

/// The words for a comparator behind a number at the beginning of a text, as printed, and their sign.
pub fn comparator_behind(text: &str) -> Option<(&str, &'static str)> {
    let end = text.match_indices([' ', '\t']).map(|(at, _)| at).nth(1).unwrap_or(text.len());
    let printed = text.get(..end)?.trim_end_matches(|c: char| !c.is_alphanumeric());
    let folded = fold(printed);
    let (_, sign) = BEHIND.iter().find(|(words, _)| *words == folded)?;
    Some((printed, sign))
}

/// The words for a comparator behind a number of which this is one: as a unit or a mark it would hide them. No sign,
/// which many a mark is.
pub fn of_comparator(word: &str) -> Option<&'static str> {
    let folded = fold(word);
    let own = |words: &str| words.split(' ').any(|one| one == folded);
    let letters = folded.len() > 1 && folded.chars().all(char::is_alphabetic);
    BEHIND.iter().find(|(words, _)| letters && own(words)).map(|(words, _)| *words)
}

/// What a sign of abnormality most likely claims.
pub fn mark(word: &str) -> Option<&'static str> {
    MARKS.iter().find(|(_, signs)| signs.contains(&word)).map(|(meaning, _)| *meaning)
}

/// Whether a number stands right before its unit somewhere in a line: that is a result, whatever else is there.
pub fn measures(line: &str) -> bool {
    let words: Vec<&str> = line
        .split(|c: char| c.is_whitespace() || ";|=()".contains(c))
        .filter(|w| !w.is_empty())
        .collect();
    words.windows(2).any(|two| match two {
        [number, unit] => number.starts_with(|c: char| c.is_ascii_digit()) && is_unit(unit),
        _ => false,
    })
}

/// A unit of the program's list, in any spelling.
pub fn is_unit(word: &str) -> bool {
    let folded = units::fold(word);
    units::KNOWN.iter().any(|known| known.is_spelled(&folded)) || looks_like_a_unit(word)
}

/// A spelling that no list has, and that is most likely a unit all the same.
pub fn looks_like_a_unit(word: &str) -> bool {
    let letters = word.chars().filter(|c| c.is_alphabetic()).count();
    let litre = |end: &str| word.to_lowercase().ends_with(end);
    letters > 0
        && !word.starts_with(|c: char| c.is_ascii_digit())
        && ["/l", "/dl", "/ul", "/µl", "/ml"].iter().any(|e| litre(e))
}

/// Which half of the day a word is: true for the second.
pub fn half(word: &str) -> Option<bool> {
    let lower = word.to_lowercase();
    if PM.contains(&lower.as_str()) {
        Some(true)
    } else {
        AM.contains(&lower.as_str()).then_some(false)
    }
}
