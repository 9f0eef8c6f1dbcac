//! From a strip file's text to a strip: the notation, read strictly.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use rust_decimal::Decimal;

use super::{Kind, Measure, Measured, Pad, Rung, Sense, Strip, builtin, checks};
use crate::codes::{ANALYTES, Analyte};
use crate::fault::Fault;
use crate::figure::Figure;
use crate::grades::Grade;
use crate::observation::Code;
use crate::sheet::{Keys, Source, Spot};
use crate::units::{Known, Property, Units};
use crate::words::{fold, quote};

/// Pads of a strip and rungs of a pad at most.
const MOST: usize = 40;

/// Words that mean different things on different pads: only a pad itself may give them a meaning.
const BARE: &[&str] = &["-", "+", "(+)", "*", "?"];

/// Reads a strip file. A `foreign` one may not take the name of a strip that comes with the
/// program.
pub(super) fn strip(text: &str, file: &str, foreign: bool) -> Result<Strip, Vec<Fault>> {
    let source = Source::new(file, text);
    let strip = source.parse().and_then(|root| {
        let keys = Keys::new(&source, String::new(), 0, root.get_ref());
        let strip = whole(&keys, foreign);
        keys.close();
        strip
    });
    let faults = source.into_faults();
    match strip {
        Some(strip) if faults.is_empty() => Ok(strip),
        _ => Err(faults),
    }
}

fn whole(keys: &Keys<'_, '_>, foreign: bool) -> Option<Strip> {
    let id = keys.needed("id", "my-strip");
    let name = keys.needed("name", "My strip");
    let id = id.inspect(|id| {
        if foreign && builtin::NAMES.contains(&id.value.as_str()) {
            keys.fault(id.at, "id", quote(&id.value), "a name that no strip of the program has");
        }
        if !id.value.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-') {
            keys.fault(id.at, "id", quote(&id.value), "small letters, digits and hyphens");
        }
    });
    let base = base(keys);
    let extends = base.is_some();
    let (mut words, mut unread, inherited) =
        base.map(|b| (b.words, b.unread, b.pads)).unwrap_or_default();
    // Each pad with its place in this file, for faults between pads.
    let mut pads: Vec<(usize, Pad)> = inherited.into_iter().map(|pad| (0, pad)).collect();
    let accepts = keys.texts("accepts").into_iter().map(|s| s.value).collect();
    shared_words(keys, &mut words);
    for word in keys.texts("unread") {
        if may_share(keys, "unread", &word) {
            unread.push(fold(&word.value));
        }
    }
    for table in few(keys, "pad") {
        let at = table.at;
        if let Some(pad) = pad(table, &words, &unread) {
            pads.retain(|(_, known)| known.id != pad.id);
            pads.push((at, pad));
        }
    }
    if extends {
        pads.sort_by(|(_, a), (_, b)| a.id.cmp(&b.id));
    }
    if pads.is_empty() {
        keys.fault(0, "pad", "nothing", "at least one [[pad]]");
    }
    let labels = labels(keys, &pads);
    let pads: Vec<Pad> = pads.into_iter().map(|(_, pad)| pad).collect();
    let notes = pads.iter().flat_map(checks::notes).collect();
    Some(Strip { id: id?.value, name: name?.value, accepts, pads, words, unread, labels, notes })
}

/// The tables of a list; more than a strip can have are a fault.
fn few<'s, 'a>(keys: &Keys<'s, 'a>, key: &'static str) -> Vec<Keys<'s, 'a>> {
    let mut tables = keys.tables(key);
    if let Some(surplus) = tables.get(MOST) {
        keys.fault(surplus.at, key, format!("{} tables", tables.len()), format!("at most {MOST}"));
    }
    tables.truncate(MOST);
    tables
}

/// The strip that this one goes on from.
fn base(keys: &Keys<'_, '_>) -> Option<Strip> {
    let name = keys.text("extends")?;
    let base = Strip::builtin(&name.value);
    if base.is_none() {
        let allowed = format!("a strip of the program: {}", builtin::NAMES.join(", "));
        keys.fault(name.at, "extends", quote(&name.value), allowed);
    }
    base
}

fn may_share(keys: &Keys<'_, '_>, key: &str, word: &Spot<String>) -> bool {
    let bare = BARE.contains(&word.value.trim());
    if bare {
        let allowed = "a word that means the same on every pad; give this one a meaning at its pad";
        keys.fault(word.at, key, quote(&word.value), allowed);
    }
    !bare
}

fn shared_words(keys: &Keys<'_, '_>, words: &mut BTreeMap<String, Vec<String>>) {
    for (grade, list) in keys.lists("words") {
        if Grade::find(&grade.value).is_none() {
            let known: Vec<&str> = crate::grades::GRADES.iter().map(|g| g.code).collect();
            keys.fault(grade.at, "words", quote(&grade.value), known.join(", "));
            continue;
        }
        let fit = list.into_iter().filter(|word| may_share(keys, "words", word));
        words.entry(grade.value).or_default().extend(fit.map(|word| word.value));
    }
}

/// Labels of all pads, folded: none may name two pads.
fn labels(keys: &Keys<'_, '_>, pads: &[(usize, Pad)]) -> HashMap<String, usize> {
    let mut labels = HashMap::new();
    for (index, (at, pad)) in pads.iter().enumerate() {
        for label in &pad.names {
            if let Some(other) = labels.insert(label.clone(), index)
                && other != index
            {
                let (before, other) = pads.get(other).map_or((0, ""), |(at, p)| (*at, &p.id));
                let found = format!("label {} for {} and {other}", quote(label), pad.id);
                keys.fault(before.max(*at), "pad.names", found, "a label for one pad only");
            }
        }
    }
    labels
}

fn pad(
    mut keys: Keys<'_, '_>,
    shared: &BTreeMap<String, Vec<String>>,
    unread: &[String],
) -> Option<Pad> {
    let id = keys.needed("id", "GLU")?;
    let Some(analyte) = Analyte::find(&id.value) else {
        let known: Vec<&str> = ANALYTES.iter().map(|a| a.id).collect();
        keys.fault(id.at, "id", quote(&id.value), format!("an analyte id: {}", known.join(", ")));
        return None;
    };
    keys.path = format!("pad.{}.", analyte.id);
    let title = keys.needed("title", "Glucose");
    let kind = kind(&keys);
    let names = keys.texts("names").into_iter().map(|n| fold(&n.value));
    let mut pad = Pad {
        id: analyte.id.into(),
        title: title?.value,
        kind: kind?,
        optional: keys.switch("optional"),
        rungs: Vec::new(),
        measured: None,
        conventional: measure(&keys, "conventional"),
        si: measure(&keys, "si"),
        names: names.chain([fold(analyte.id)]).collect(),
        words: HashMap::new(),
        unread: unread.iter().cloned().collect(),
        automated: BTreeMap::new(),
        manual: BTreeMap::new(),
    };
    checks::units(&keys, &pad, analyte);
    let rungs: Vec<(usize, Rung)> = few(&keys, "rungs").iter().map(|k| rung(k, &pad)).collect();
    checks::ladder(&keys, &pad, analyte, &rungs);
    pad.rungs = rungs.into_iter().map(|(_, rung)| rung).collect();
    pad.measured = measured(&keys, &pad, analyte);
    words(&keys, &mut pad, shared);
    pad.automated = codes(&keys, "automated", &pad, analyte);
    pad.manual = codes(&keys, "manual", &pad, analyte);
    keys.close();
    Some(pad)
}

fn kind(keys: &Keys<'_, '_>) -> Option<Kind> {
    let text = keys.needed("kind", "graded")?;
    let kind = match text.value.as_str() {
        "graded" => Kind::Graded,
        "stepped" => Kind::Stepped,
        "two-step" => Kind::TwoStep,
        "nominal" => Kind::Nominal,
        "measured" => Kind::Measured,
        _ => {
            let allowed = "graded, stepped, two-step, nominal, measured";
            keys.fault(text.at, "kind", quote(&text.value), allowed);
            return None;
        }
    };
    Some(kind)
}

fn measure(keys: &Keys<'_, '_>, system: &'static str) -> Option<Measure> {
    let table = keys.table(system)?;
    let ucum = table.needed("ucum", "mg/dL");
    let spellings = table.texts("spellings");
    table.close();
    let ucum = ucum?;
    let unit = Known::find(&ucum.value)
        .map_err(|allowed| table.fault(ucum.at, "ucum", quote(&ucum.value), allowed))
        .ok()?;
    let spellings = spellings.into_iter().map(|s| crate::units::fold(&s.value)).collect();
    Some(Measure { unit, spellings })
}

fn rung(keys: &Keys<'_, '_>, pad: &Pad) -> (usize, Rung) {
    let grade = keys.text("grade");
    let text = keys.text("text");
    let conventional = label(keys, "conventional");
    let mut si = label(keys, "si");
    let sense = keys.needed("flag", "A");
    keys.close();
    let one = |units| pad.measure(units).map(|m| m.unit.ucum);
    if si.is_none() && one(Units::Conventional) == one(Units::Si) {
        si.clone_from(&conventional);
    }
    let sense = match sense.as_ref().map(|s| s.value.as_str()) {
        Some("N") => Sense::Normal,
        Some("A") => Sense::Abnormal,
        Some("range") => Sense::Range,
        Some("policy") | None => Sense::Policy,
        Some(other) => {
            let at = sense.as_ref().map_or(keys.at, |s| s.at);
            keys.fault(at, "flag", quote(other), "N, A, policy, range");
            Sense::Policy
        }
    };
    let known = grade.as_ref().and_then(|g| Grade::find(&g.value)).map(|g| g.text.to_owned());
    let text = text.map(|t| t.value).or(known).unwrap_or_default();
    let grade = grade.map(|g| g.value);
    (keys.at, Rung { grade, text, conventional, si, sense })
}

fn label(keys: &Keys<'_, '_>, system: &'static str) -> Option<Figure> {
    let text = keys.text(system)?;
    let figure = Figure::read(&text.value);
    if figure.is_none() {
        keys.fault(text.at, system, quote(&text.value), "a number such as \"400\" or \">=2400\"");
    }
    figure
}

fn measured(keys: &Keys<'_, '_>, pad: &Pad, analyte: &Analyte) -> Option<Measured> {
    let table = keys.table("measured");
    if (pad.kind == Kind::Measured) != table.is_some() {
        let allowed =
            "measured = { factor, digits, si_digits } with kind = \"measured\", and only there";
        keys.fault(
            keys.at,
            "measured",
            if table.is_some() { "a table" } else { "nothing" },
            allowed,
        );
    }
    let table = table?;
    let factor = table.needed("factor", "0.0555");
    let (digits, si_digits) = (table.count("digits", 6), table.count("si_digits", 6));
    table.close();
    let factor = factor?;
    let value = Figure::read(&factor.value).filter(|f| f.comparator.is_none()).map(|f| f.value());
    let value = value.filter(|v| *v > Decimal::ZERO);
    match value {
        None => table.fault(factor.at, "factor", quote(&factor.value), "a number above 0"),
        Some(value) => checks::factor(&table, factor.at, value, pad, analyte),
    }
    Some(Measured { factor: value?, conventional_digits: digits?, si_digits: si_digits? })
}

/// What each printed word means on this pad: its own words, the shared ones, the codes themselves.
fn words(keys: &Keys<'_, '_>, pad: &mut Pad, shared: &BTreeMap<String, Vec<String>>) {
    let grades: Vec<String> = pad.grades().into_iter().map(str::to_owned).collect();
    let texts: Vec<(String, String)> =
        pad.rungs.iter().filter_map(|r| Some((r.grade.clone()?, r.text.clone()))).collect();
    let mut meanings: Vec<(usize, String, String)> = Vec::new();
    for grade in &grades {
        let common = shared.get(grade).into_iter().flatten().cloned();
        meanings.extend(common.chain([grade.clone()]).map(|w| (keys.at, w, grade.clone())));
    }
    meanings.extend(texts.into_iter().map(|(grade, text)| (keys.at, text, grade)));
    for (grade, list) in keys.lists("words") {
        if !grades.contains(&grade.value) {
            let allowed = format!("a grade of this ladder: {}", grades.join(", "));
            keys.fault(grade.at, "words", quote(&grade.value), allowed);
        }
        meanings.extend(list.into_iter().map(|w| (w.at, w.value, grade.value.clone())));
    }
    let own: BTreeSet<String> = keys.texts("unread").into_iter().map(|w| fold(&w.value)).collect();
    pad.unread.extend(own);
    for (at, word, grade) in meanings {
        let folded = fold(&word);
        let taken = pad.words.get(&folded).filter(|g| **g != grade);
        if let Some(other) = taken {
            let found = format!("{} for {grade} and {other}", quote(&word));
            keys.fault(at, "words", found, "a word for one grade only");
        } else if pad.unread.contains(&folded) {
            let found = format!("{} for {grade} and for an unread pad", quote(&word));
            keys.fault(at, "words", found, "a word with one meaning");
        } else if Figure::read(&word).is_some() {
            keys.fault(at, "words", quote(&word), "a word that is no number");
        }
        pad.words.insert(folded, grade);
    }
}

fn codes(
    keys: &Keys<'_, '_>,
    set: &'static str,
    pad: &Pad,
    analyte: &Analyte,
) -> BTreeMap<Property, Code> {
    let mut codes = BTreeMap::new();
    let Some(table) = keys.table(set) else { return codes };
    let own = pad.properties();
    for property in &own {
        let Some(code) = table.text(property.key()) else { continue };
        match analyte.term(&code.value, *property, set == "automated") {
            Ok(term) => drop(codes.insert(*property, term.code())),
            Err(allowed) => table.fault(code.at, property.key(), quote(&code.value), allowed),
        }
    }
    table.close();
    codes
}
