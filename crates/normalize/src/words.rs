//! Words as printed: what tells them apart, and how they are quoted to a person.

/// Folds case, accents and runs of spaces: none of them tells two words of a print apart.
///
/// For comparing, never for showing: what is shown is what was printed.
#[must_use]
pub fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    for word in text.split_whitespace() {
        if !folded.is_empty() {
            folded.push(' ');
        }
        for letter in word.chars() {
            match letter {
                'A'..='Z' => folded.push(letter.to_ascii_lowercase()),
                '\0'..='\x7f' => folded.push(letter),
                _ => letter.to_lowercase().for_each(|l| plain(l, &mut folded)),
            }
        }
    }
    folded
}

/// Strips the accents that the languages of the shipped strips use.
fn plain(letter: char, folded: &mut String) {
    folded.push(match letter {
        'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' => 'a',
        'ç' => 'c',
        'è' | 'é' | 'ê' | 'ë' => 'e',
        'ì' | 'í' | 'î' | 'ï' => 'i',
        'ñ' => 'n',
        'ò' | 'ó' | 'ô' | 'õ' | 'ö' => 'o',
        'ù' | 'ú' | 'û' | 'ü' => 'u',
        'ß' => return folded.push_str("ss"),
        other => other,
    });
}

/// What the name of a file's own may be, a dialect's or a strip's, as a person is told it.
pub const NAME: &str = "small letters, digits and hyphens";

/// Whether a text may be such a name.
#[must_use]
pub fn is_name(text: &str) -> bool {
    let fits = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    !text.is_empty() && text.bytes().all(fits)
}

/// Letters of a quotation at most: enough to find it on the paper, too few to flood a screen.
const QUOTED: usize = 40;

/// Quotes printed text for a person: short, and nothing in it can move a cursor.
///
/// At most 40 characters; control characters and what could turn the direction of a line are spelled
/// out.
#[must_use]
pub fn quote(text: &str) -> String {
    let mut quoted = String::from("`");
    for (n, letter) in text.chars().enumerate() {
        if n == QUOTED {
            quoted.push_str("...");
            break;
        }
        let shown = letter == ' ' || letter.is_ascii_graphic() || letter.is_alphanumeric();
        if shown || "±≤≥°".contains(letter) {
            quoted.push(letter);
        } else {
            quoted.extend(letter.escape_unicode());
        }
    }
    quoted.push('`');
    quoted
}

/// The known word with the fewest letters to change.
///
/// For "did you mean": it says nothing about how near it is. None: nothing is known.
#[must_use]
pub fn nearest<'a>(word: &str, known: &[&'a str]) -> Option<&'a str> {
    known.iter().copied().min_by_key(|k| distance(word, k))
}

/// Whether a word is another one with at most every third letter changed, lost or added: misspelt or damaged.
///
/// ```
/// use wickline_normalize::words::is_nearly;
///
/// assert!(is_nearly("urgemt", "URGENT"));
/// assert!(!is_nearly("QC", "OK"), "of two letters no other may stand there");
/// ```
#[must_use]
pub fn is_nearly(word: &str, known: &str) -> bool {
    let (word, known) = (fold(word), fold(known));
    distance(&word, &known) * 3 <= known.chars().count()
}

/// Levenshtein's distance over the first 64 letters: a file's word may be as long as the file.
fn distance(a: &str, b: &str) -> usize {
    let begin = |text: &str| text.chars().take(64).collect::<String>();
    strsim::levenshtein(&begin(a), &begin(b))
}

#[cfg(test)]
mod tests {
    use super::{fold, nearest, quote};

    #[test]
    fn case_accents_and_spaces_do_not_tell_words_apart() {
        assert_eq!(fold("  Spez.   Gewicht "), "spez. gewicht");
        assert_eq!(fold("NÉGATIF"), "negatif");
        assert_eq!(fold("Trübung"), fold("TRUBUNG"));
        assert_eq!(fold("groß"), "gross");
        assert_eq!(fold("µ"), "µ", "a unit's sign is not an accent");
    }

    #[test]
    fn quotations_are_short_and_harmless() {
        assert_eq!(quote("2+ \u{1b}[2J"), "`2+ \\u{1b}[2J`");
        assert_eq!(quote("\u{202e}x"), "`\\u{202e}x`");
        assert_eq!(quote(&"x".repeat(500)).len(), 2 + 40 + 3);
    }

    #[test]
    fn the_nearest_word_is_offered() {
        assert_eq!(nearest("rugns", &["pads", "rungs", "words"]), Some("rungs"));
        assert_eq!(nearest("x", &[]), None);
        let long = "x".repeat(1_000_000);
        assert_eq!(nearest(&long, &["y", &"x".repeat(70)]), Some("x".repeat(70).as_str()));
    }
}
