//! The language of a print, as far as its words tell, and the names of months in it.
//!
//! Common practice, from memory; no published source. What is chosen by it is asked about.

use wickline_normalize::words::fold;

const MONTHS: &[(&str, &str)] = &[
    ("English", "jan feb mar apr may jun jul aug sep oct nov dec"),
    ("German", "jan feb mär apr mai jun jul aug sep okt nov dez"),
    ("French", "jan fév mar avr mai jun jul aoû sep oct nov déc"),
    ("Spanish", "ene feb mar abr may jun jul ago sep oct nov dic"),
    ("Italian", "gen feb mar apr mag giu lug ago set ott nov dic"),
    ("Portuguese", "jan fev mar abr mai jun jul ago set out nov dez"),
    (
        "English",
        "January February March April May June July August September October November December",
    ),
    (
        "German",
        "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
    ),
    (
        "German",
        "Januar Februar Maerz April Mai Juni Juli August September Oktober November Dezember",
    ),
    (
        "French",
        "janvier février mars avril mai juin juillet août septembre octobre novembre décembre",
    ),
    (
        "Spanish",
        "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    ),
    (
        "Italian",
        "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    ),
    (
        "Portuguese",
        "janeiro fevereiro março abril maio junho julho agosto setembro outubro novembro dezembro",
    ),
];

/// Words by which a print most likely is in a language, folded: those that hardly another of the six has.
const TELLING: &[(&str, &str)] = &[
    (
        "English",
        "ketones blood protein trace negative positive leukocytes nitrite gravity operator time sample patient by \
         run reader",
    ),
    (
        "German",
        "glukose blut eiweiss ketone leukozyten nitrit spur negativ positiv gewicht datum uhrzeit probe bediener \
         lauf streifen kontrolle",
    ),
    (
        "French",
        "sang proteines cetones densite leucocytes nitrites negatif positif echantillon heure bandelette flacon agent \
         sucre fin poste",
    ),
    (
        "Spanish",
        "glucosa sangre proteinas cetonas densidad leucocitos nitritos trazas fecha muestra prueba operador hoja",
    ),
    (
        "Italian",
        "glucosio sangue proteine chetonici specifico leucociti nitriti tracce ora campione referto striscia operatore \
         fine ambulatorio",
    ),
    (
        "Portuguese",
        "glicose sangue proteinas densidade leucocitos nitrito tracos amostra exame tira teste urobilinogenio",
    ),
];

/// The languages that have these names of months, each with all twelve, and first the one that most words of the
/// print are of.
pub fn months(seen: &[String], print: &[&str]) -> Vec<(&'static str, Vec<&'static str>)> {
    let has =
        |names: &[&str]| seen.iter().all(|word| names.iter().any(|name| fold(name) == fold(word)));
    let rows =
        MONTHS.iter().map(|(language, names)| (*language, names.split(' ').collect::<Vec<_>>()));
    let mut fit: Vec<_> = rows.filter(|(_, names)| has(names)).collect();
    fit.sort_by_cached_key(|(language, _)| std::cmp::Reverse(told(language, print)));
    fit
}

/// How many words of a print are of this language.
fn told(language: &str, print: &[&str]) -> usize {
    let telling = TELLING.iter().find(|(own, _)| *own == language).map_or("", |(_, words)| words);
    let bare = |word: &str| fold(word.trim_matches(|c: char| !c.is_alphanumeric()));
    let own = |word: &&str| telling.split_whitespace().any(|known| known == bare(word));
    print.iter().flat_map(|line| line.split_whitespace()).filter(own).count()
}

/// Whether a word is a month in some language.
pub fn is_month(word: &str) -> bool {
    !months(&[word.to_owned()], &[]).is_empty()
}
