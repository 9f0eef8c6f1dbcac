//! Control characters by their names, as in `<STX>`, so that a person sees what a line carries.

use wickline_listen::printed::control_name;

use crate::seen::is_unseen;

/// Text with every character that is not seen, or that moves what is seen, by its name.
#[must_use]
pub fn named(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        if is_unseen(letter) {
            out.push_str(&format!("<{}>", control_name(letter)));
        } else {
            out.push(letter);
        }
    }
    out
}

/// Bytes as heard: text where they are UTF-8, else ASCII with every other byte in hexadecimal. What
/// arrived damaged (`flaws`, in rising order) is `<!41>`.
#[must_use]
pub fn heard(bytes: &[u8], flaws: &[usize]) -> String {
    if flaws.is_empty()
        && let Ok(text) = str::from_utf8(bytes)
    {
        return named(text);
    }
    let mut out = String::with_capacity(bytes.len());
    let mut flaws = flaws.iter().copied().peekable();
    for (index, byte) in bytes.iter().enumerate() {
        if flaws.next_if_eq(&index).is_some() {
            out.push_str(&format!("<!{byte:02X}>"));
        } else if byte.is_ascii() {
            out.push_str(&named(char::from(*byte).encode_utf8(&mut [0; 4])));
        } else {
            out.push_str(&format!("<{byte:02X}>"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::{heard, named};

    #[test]
    fn what_is_not_seen_has_a_name() {
        assert_eq!(named("\u{2}1H\r\u{3}A4\r\n"), "<STX>1H<CR><ETX>A4<CR><LF>");
        assert_eq!(named("a\u{1b}[31m\u{202e}b\u{9b}\u{7f}"), "a<ESC>[31m<U+202E>b<U+009B><DEL>");
        assert_eq!(named("20 /µL ≥ é"), "20 /µL ≥ é");
    }

    #[test]
    fn bytes_of_any_kind_are_shown() {
        assert_eq!(heard("20 /µL".as_bytes(), &[]), "20 /µL");
        assert_eq!(heard(b"20 /\xb5L\r", &[]), "20 /<B5>L<CR>");
        assert_eq!(heard(b"G\x4cU\0", &[1, 3]), "G<!4C>U<!00>");
    }
}
