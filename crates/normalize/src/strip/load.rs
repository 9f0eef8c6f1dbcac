//! From a strip file's text to a strip: the notation, read strictly.

use std::collections::{BTreeMap, HashMap};

use rust_decimal::Decimal;

use super::{Kind, Measure, Measured, Pad, Rung, Sense, Strip, builtin, checks, strange};
use crate::codes::{ANALYTES, Analyte};
use crate::fault::Fault;
use crate::figure::Figure;
use crate::grades::Grade;
use crate::observation::Code;
use crate::sheet::{Keys, Source, Spot};
use crate::units::{Known, Property, Units};
use crate::words::{self, fold, quote};

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
        if !words::is_name(&id.value) {
            keys.fault(id.at, "id", quote(&id.value), words::NAME);
        }
    });
    let base = base(keys);
    let extends = base.is_some();
    let (mut words, mut unread, inherited) =
        base.map(|b| (b.words, b.unread, b.pads)).unwrap_or_default();
    let required: Vec<String> =
        inherited.iter().filter(|pad| !pad.optional).map(|pad| pad.id.clone()).collect();
    let accepts = keys.texts("accepts").into_iter().map(|s| s.value).collect();
    let mut pads = kept(keys, inherited);
    given(keys, &mut pads);
    if extends {
        pads.sort_by(|a, b| a.pad.id.cmp(&b.pad.id));
    }
    if pads.is_empty() {
        keys.fault(0, "pad", "nothing", "at least one [[pad]]");
    }
    shared_words(keys, &mut words, &pads);
    for word in keys.texts("unread") {
        if may_share(keys, "unread", &word) {
            unread.push(fold(&word.value));
        }
    }
    pads.iter_mut().for_each(|given| given.learn(keys, &words, &unread));
    let labels = labels(keys, &pads);
    let pads: Vec<Pad> = pads.into_iter().map(|given| given.pad).collect();
    let notes =
        pads.iter().flat_map(|pad| checks::notes(pad, required.contains(&pad.id))).collect();
    let questions = if foreign { strange::questions(&pads) } else { Vec::new() };
    let (id, name) = (id?.value, name?.value);
    Some(Strip { id, name, accepts, pads, words, unread, labels, notes, questions })
}

/// A pad of the strip to be.
struct Given {
    /// Where this file gives it; 0: it is inherited as it is.
    at: usize,
    pad: Pad,
    /// Its own words with their place, and the grade that each means.
    words: Vec<(usize, String, String)>,
}

/// The inherited pads that this file does not drop.
fn kept(keys: &Keys<'_, '_>, inherited: Vec<Pad>) -> Vec<Given> {
    let dropped = keys.texts("drop");
    for id in &dropped {
        if !inherited.iter().any(|pad| pad.id == id.value) {
            let known: Vec<&str> = inherited.iter().map(|pad| pad.id.as_str()).collect();
            let allowed = format!("pads of the strip that this one extends: {}", known.join(", "));
            keys.fault(id.at, "drop", quote(&id.value), allowed);
        }
    }
    let stays = |pad: &Pad| !dropped.iter().any(|id| id.value == pad.id);
    let given = |pad: Pad| {
        let own = pad.own_words.iter();
        let words =
            own.flat_map(|(grade, list)| list.iter().map(move |w| (0, w.clone(), grade.clone())));
        Given { at: 0, words: words.collect(), pad }
    };
    inherited.into_iter().filter(stays).map(given).collect()
}

/// The pads of this file, each in the place of the inherited one that it goes on from.
fn given(keys: &Keys<'_, '_>, pads: &mut Vec<Given>) {
    for table in few(keys, "pad") {
        let at = table.at;
        let Some(new) = pad(table, pads) else { continue };
        match pads.iter_mut().find(|known| known.pad.id == new.pad.id) {
            Some(known) if known.at > 0 => {
                let id = quote(&new.pad.id);
                keys.fault(at, "pad", format!("{id} twice"), "each pad once");
            }
            Some(known) => *known = new,
            None => pads.push(new),
        }
    }
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

fn shared_words(keys: &Keys<'_, '_>, words: &mut BTreeMap<String, Vec<String>>, pads: &[Given]) {
    for (grade, list) in keys.lists("words") {
        let of_a_pad =
            || pads.iter().any(|given| given.pad.grades().contains(&grade.value.as_str()));
        if Grade::find(&grade.value).is_none() && !of_a_pad() {
            let known: Vec<&str> = crate::grades::GRADES.iter().map(|g| g.code).collect();
            let allowed = format!("{}, or a grade of one of its pads", known.join(", "));
            keys.fault(grade.at, "words", quote(&grade.value), allowed);
            continue;
        }
        let fit = list.into_iter().filter(|word| may_share(keys, "words", word));
        words.entry(grade.value).or_default().extend(fit.map(|word| word.value));
    }
}

/// Labels of all pads, folded: none may name two pads.
fn labels(keys: &Keys<'_, '_>, pads: &[Given]) -> HashMap<String, usize> {
    let mut labels = HashMap::new();
    for (index, Given { at, pad, .. }) in pads.iter().enumerate() {
        for label in &pad.names {
            if let Some(other) = labels.insert(label.clone(), index)
                && other != index
            {
                let (before, other) = pads.get(other).map_or((0, ""), |g| (g.at, &g.pad.id));
                let found = format!("label {} for {} and {other}", quote(label), pad.id);
                keys.fault(before.max(*at), "pad.names", found, "a label for one pad only");
            }
        }
    }
    labels
}

/// A pad as this file gives it. What it does not give, it has from the inherited pad of the same id: every key stands
/// or falls as a whole.
fn pad(mut keys: Keys<'_, '_>, inherited: &[Given]) -> Option<Given> {
    let id = keys.needed("id", "GLU")?;
    let Some(analyte) = Analyte::find(&id.value) else {
        let known: Vec<&str> = ANALYTES.iter().map(|a| a.id).collect();
        keys.fault(id.at, "id", quote(&id.value), format!("an analyte id: {}", known.join(", ")));
        return None;
    };
    keys.path = format!("pad.{}.", analyte.id);
    let from = inherited.iter().find(|given| given.pad.id == analyte.id);
    let mut pad = from.map_or_else(|| Pad::blank(analyte.id), |given| given.pad.clone());
    let says = |key: &str| from.is_none() || keys.has(key);
    let title = if says("title") { Some(keys.needed("title", "Glucose")?.value) } else { None };
    let kind = if says("kind") { Some(kind(&keys)?) } else { None };
    pad.title = title.unwrap_or(pad.title);
    pad.kind = kind.unwrap_or(pad.kind);
    if says("optional") {
        // No analyzer owes a number that it only calculates.
        pad.optional = keys.switch("optional") || analyte.ratio().is_some();
    }
    if says("names") {
        let names = keys.texts("names").into_iter().map(|n| fold(&n.value));
        pad.names = names.chain([fold(analyte.id)]).collect();
    }
    if says("conventional") {
        pad.conventional = measure(&keys, "conventional");
    }
    if says("si") {
        pad.si = measure(&keys, "si");
    }
    checks::units(&keys, &pad, analyte);
    rungs(&keys, &mut pad, says("rungs"), analyte);
    if says("measured") || (pad.kind == Kind::Measured) != pad.measured.is_some() {
        pad.measured = measured(&keys, &pad, analyte);
    }
    for set in ["automated", "manual"] {
        if says(set) {
            let codes = codes(&keys, set, &pad, analyte);
            *(if set == "manual" { &mut pad.manual } else { &mut pad.automated }) = codes;
        }
    }
    let own = pad.properties();
    pad.automated.retain(|property, _| own.contains(property));
    pad.manual.retain(|property, _| own.contains(property));
    let words = words(&keys, &mut pad, from);
    if says("unread") {
        pad.own_unread = keys.texts("unread").into_iter().map(|w| fold(&w.value)).collect();
    }
    keys.close();
    Some(Given { at: keys.at.max(1), pad, words })
}

/// The ladder: new as a whole, or the inherited one, and it must fit the pad as it is now.
fn rungs(keys: &Keys<'_, '_>, pad: &mut Pad, new: bool, analyte: &Analyte) {
    let as_printed = keys.switch("as-printed");
    let mut rungs: Vec<(usize, Rung)> = if new {
        few(keys, "rungs").iter().map(|k| rung(k, pad)).collect()
    } else {
        pad.rungs.drain(..).map(|rung| (keys.at, rung)).collect()
    };
    rungs.iter_mut().for_each(|(_, rung)| rung.as_printed |= as_printed);
    checks::ladder(keys, pad, analyte, &rungs);
    pad.rungs = rungs.into_iter().map(|(_, rung)| rung).collect();
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
    let as_printed = keys.switch("as-printed");
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
    (keys.at, Rung { grade, text, conventional, si, sense, as_printed })
}

fn label(keys: &Keys<'_, '_>, system: &'static str) -> Option<Figure> {
    let text = keys.text(system)?;
    let figure = Figure::read(&text.value);
    if figure.is_none() {
        keys.fault(
            text.at,
            system,
            quote(&text.value),
            "a number such as \"400\", an end such as \">=2400\" or a range such as \"10-25\"",
        );
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
    let value = Figure::read(&factor.value).filter(Figure::is_bare).map(|f| f.value());
    let value = value.filter(|v| *v > Decimal::ZERO);
    match value {
        None => table.fault(factor.at, "factor", quote(&factor.value), "a number above 0"),
        Some(value) => checks::factor(&table, factor.at, value, pad, analyte),
    }
    Some(Measured { factor: value?, conventional_digits: digits?, si_digits: si_digits? })
}

/// The words that the pad itself has for its grades, with their places.
fn words(keys: &Keys<'_, '_>, pad: &mut Pad, from: Option<&Given>) -> Vec<(usize, String, String)> {
    if let Some(from) = from.filter(|_| !keys.has("words")) {
        let grades = pad.grades();
        return from.words.iter().filter(|w| grades.contains(&w.2.as_str())).cloned().collect();
    }
    let grades: Vec<String> = pad.grades().into_iter().map(str::to_owned).collect();
    pad.own_words.clear();
    let mut said = Vec::new();
    for (grade, list) in keys.lists("words") {
        if !grades.contains(&grade.value) {
            let allowed = format!("a grade of this ladder: {}", grades.join(", "));
            keys.fault(grade.at, "words", quote(&grade.value), allowed);
        }
        let texts = list.iter().map(|w| w.value.clone()).collect();
        said.extend(list.into_iter().map(|w| (w.at, w.value, grade.value.clone())));
        pad.own_words.insert(grade.value, texts);
    }
    said
}

impl Given {
    /// What each printed word means on this pad: the shared words, the codes themselves and their texts, its own.
    fn learn(
        &mut self,
        keys: &Keys<'_, '_>,
        shared: &BTreeMap<String, Vec<String>>,
        unread: &[String],
    ) {
        let Given { at, pad, words } = self;
        pad.unread = unread.iter().chain(&pad.own_unread).cloned().collect();
        let mut meanings: Vec<(usize, String, String)> = Vec::new();
        for rung in &pad.rungs {
            let Some(grade) = &rung.grade else { continue };
            let common = shared.get(grade).into_iter().flatten().chain([grade, &rung.text]);
            meanings.extend(common.map(|w| (*at, w.clone(), grade.clone())));
        }
        meanings.append(words);
        pad.words.clear();
        let key = format!("pad.{}.words", pad.id);
        for (at, word, grade) in meanings {
            let folded = fold(&word);
            let taken = pad.words.get(&folded).filter(|g| **g != grade);
            if let Some(other) = taken {
                let found = format!("{} for {grade} and {other}", quote(&word));
                keys.fault(at, &key, found, "a word for one grade only");
            } else if pad.unread.contains(&folded) {
                let found = format!("{} for {grade} and for an unread pad", quote(&word));
                keys.fault(at, &key, found, "a word with one meaning");
            } else if Figure::read(&word).is_some() {
                keys.fault(at, &key, quote(&word), "a word that is no number");
            }
            pad.words.insert(folded, grade);
        }
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
