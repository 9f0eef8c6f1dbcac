//! What bytes above 7F mean on the analyzers' side: the code pages that a dialect file can name.
//!
//! The tables are those of the Unicode Consortium's mapping files `VENDORS/MICSFT/PC/CP437.TXT`,
//! `VENDORS/MICSFT/PC/CP850.TXT` and `VENDORS/MICSFT/WINDOWS/CP1252.TXT`, written out by Python 3.11,
//! whose codecs are generated from those files. Latin-1 (ISO/IEC 8859-1) is the first 256 characters
//! of Unicode; its bytes 80 to 9F are controls and stay so, and a control holds its report.

/// What bytes above 7F mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    /// Sequences that are none hold their line.
    Utf8,
    /// ISO/IEC 8859-1.
    Latin1,
    /// Latin-1 with signs where that has controls.
    Windows1252,
    /// The first page of PC printers.
    Cp437,
    /// Its Western European successor.
    Cp850,
}

/// Every encoding by its name in a dialect file.
pub(super) const ENCODINGS: &[(&str, Encoding)] = &[
    ("utf-8", Encoding::Utf8),
    ("latin-1", Encoding::Latin1),
    ("windows-1252", Encoding::Windows1252),
    ("cp437", Encoding::Cp437),
    ("cp850", Encoding::Cp850),
];

impl Encoding {
    /// As a dialect file names it.
    pub fn name(self) -> &'static str {
        ENCODINGS.iter().find(|(_, own)| *own == self).map_or("", |(name, _)| name)
    }
}

/// What stands for a byte that the code page does not have.
pub(super) const UNDEFINED: char = '\u{fffd}';

/// The characters of 80 to FF.
const CP437: &str = "\
    ÇüéâäàåçêëèïîìÄÅ\
    ÉæÆôöòûùÿÖÜ¢£¥₧ƒ\
    áíóúñÑªº¿⌐¬½¼¡«»\
    ░▒▓│┤╡╢╖╕╣║╗╝╜╛┐\
    └┴┬├─┼╞╟╚╔╩╦╠═╬╧\
    ╨╤╥╙╘╒╓╫╪┘┌█▄▌▐▀\
    αßΓπΣσµτΦΘΩδ∞φε∩\
    ≡±≥≤⌠⌡÷≈°∙·√ⁿ²■\u{a0}";

/// The characters of 80 to FF.
const CP850: &str = "\
    ÇüéâäàåçêëèïîìÄÅ\
    ÉæÆôöòûùÿÖÜø£Ø×ƒ\
    áíóúñÑªº¿®¬½¼¡«»\
    ░▒▓│┤ÁÂÀ©╣║╗╝¢¥┐\
    └┴┬├─┼ãÃ╚╔╩╦╠═╬¤\
    ðÐÊËÈıÍÎÏ┘┌█▄¦Ì▀\
    ÓßÔÒõÕµþÞÚÛÙýÝ¯´\
    \u{ad}±‗¾¶§÷¸°¨·¹³²■\u{a0}";

/// The characters of 80 to FF.
const CP1252: &str = "\
    €\u{fffd}‚ƒ„…†‡ˆ‰Š‹Œ\u{fffd}Ž\u{fffd}\
    \u{fffd}‘’“”•–—˜™š›œ\u{fffd}žŸ\
    \u{a0}¡¢£¤¥¦§¨©ª«¬\u{ad}®¯\
    °±²³´µ¶·¸¹º»¼½¾¿\
    ÀÁÂÃÄÅÆÇÈÉÊËÌÍÎÏ\
    ÐÑÒÓÔÕÖ×ØÙÚÛÜÝÞß\
    àáâãäåæçèéêëìíîï\
    ðñòóôõö÷øùúûüýþÿ";

/// Reads text of one byte a character.
///
/// A byte that the page does not define becomes [`UNDEFINED`], and its line is held.
pub(super) fn reader(encoding: Encoding) -> impl Fn(&[u8]) -> String {
    let upper: Vec<char> = match encoding {
        Encoding::Utf8 | Encoding::Latin1 => ('\u{80}'..='\u{ff}').collect(),
        Encoding::Windows1252 => CP1252.chars().collect(),
        Encoding::Cp437 => CP437.chars().collect(),
        Encoding::Cp850 => CP850.chars().collect(),
    };
    move |bytes| {
        let letter = |byte: &u8| match byte.checked_sub(0x80) {
            None => char::from(*byte),
            Some(place) => upper.get(usize::from(place)).copied().unwrap_or(UNDEFINED),
        };
        bytes.iter().map(letter).collect()
    }
}

/// The bytes of a text; None where the encoding lacks one of its letters.
pub(super) fn encode(encoding: Encoding, text: &str) -> Option<Vec<u8>> {
    if encoding == Encoding::Utf8 {
        return Some(text.as_bytes().to_vec());
    }
    let all: Vec<u8> = (0..=u8::MAX).collect();
    let page: Vec<char> = reader(encoding)(&all).chars().collect();
    let byte = |letter: char| {
        let at = page.iter().position(|known| *known == letter && letter != UNDEFINED)?;
        u8::try_from(at).ok()
    };
    text.chars().map(byte).collect()
}

/// The first letter of a text that the encoding lacks.
pub(super) fn lacking(encoding: Encoding, text: &str) -> Option<char> {
    text.chars().find(|letter| encode(encoding, &letter.to_string()).is_none())
}

#[cfg(test)]
mod tests {
    use super::{CP437, CP850, CP1252, ENCODINGS, Encoding, UNDEFINED, encode, reader};

    #[test]
    fn what_is_read_can_be_written() {
        for (name, encoding) in ENCODINGS.iter().filter(|(_, e)| *e != Encoding::Utf8) {
            let read = reader(*encoding);
            for byte in 0..=u8::MAX {
                let text = read(&[byte]);
                let expected = (text != UNDEFINED.to_string()).then(|| vec![byte]);
                assert_eq!(encode(*encoding, &text), expected, "{name} {byte:02X}");
            }
            assert_eq!(encode(*encoding, "\u{4e2d}"), None);
        }
        assert_eq!(encode(Encoding::Utf8, "µ"), Some("µ".as_bytes().to_vec()));
    }

    #[test]
    fn each_table_has_128_characters_and_none_twice() {
        for (table, undefined) in [(CP437, 0), (CP850, 0), (CP1252, 5)] {
            let mut all: Vec<char> = table.chars().collect();
            assert_eq!(all.len(), 128);
            assert_eq!(all.iter().filter(|c| **c == UNDEFINED).count(), undefined);
            all.retain(|c| *c != UNDEFINED);
            all.sort_unstable();
            all.dedup();
            assert_eq!(all.len(), 128 - undefined);
        }
    }

    /// The signs that urine strips print, by the mapping files.
    #[test]
    fn signs_of_the_trade_in_every_page() {
        let rows: &[(&[u8], Encoding, &str)] = &[
            (b"\xb5\xb2\xb3\xb0\xb1\xe4", Encoding::Latin1, "µ²³°±ä"),
            (b"\xb5\xb2\xb3\xb0\xb1\xe4\x80\x81", Encoding::Windows1252, "µ²³°±ä€\u{fffd}"),
            (b"\xe6\xfd\xf8\xf1\xf2\xf3\x84", Encoding::Cp437, "µ²°±≥≤ä"),
            (b"\xe6\xfd\xfc\xfb\xf8\xf1\x84", Encoding::Cp850, "µ²³¹°±ä"),
        ];
        for (bytes, encoding, text) in rows {
            assert_eq!(reader(*encoding)(bytes), *text, "{encoding:?}");
        }
    }
}
