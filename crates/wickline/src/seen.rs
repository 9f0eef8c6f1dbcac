//! Texts of others as they may be shown: nothing in them is obeyed, hidden or turned around. And how long things took.

/// A sign that a terminal obeys, or that hides or turns around the text beside it.
fn is_hidden(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// Controls, marks that reorder text, and characters without ink or width (Unicode's `Cc` and `Cf`,
/// the line separators, tags and variation selectors).
#[must_use]
pub fn is_unseen(letter: char) -> bool {
    letter.is_control()
        || matches!(letter,
            '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fe00}'..='\u{fe0f}'
            | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e01ef}')
}

/// Text with every control character and every mark that reorders text made visible.
#[must_use]
pub fn visible(text: &str) -> String {
    replaced(text, |c| format!("\\u{{{:x}}}", u32::from(c)))
}

/// The same, line by line.
#[must_use]
pub fn visible_lines(text: &str) -> String {
    text.split('\n').map(visible).collect::<Vec<_>>().join("\n")
}

/// A JSON document in which each such sign is written as its number, which a reader turns back.
pub fn json_of(value: &impl serde::Serialize) -> serde_json::Result<String> {
    let plain = serde_json::to_string(value)?;
    // Outside of strings JSON has none, and in them those below a blank are numbers already. All are of 16 bits.
    let shown = |c: char| format!("\\u{:04x}", u32::from(c));
    Ok(replaced(&plain, shown))
}

/// Text with each such sign as something else.
pub fn replaced(text: &str, shown: impl Fn(char) -> String) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if is_hidden(c) { out.push_str(&shown(c)) } else { out.push(c) }
    }
    out
}

/// A length of time as people say it.
#[must_use]
pub fn span(seconds: i64) -> String {
    match seconds {
        s if s < 120 => format!("{s} s"),
        s if s < 7200 => format!("{} min", s / 60),
        s if s < 172_800 => format!("{} h {} min", s / 3600, s % 3600 / 60),
        s => format!("{} days", s / 86_400),
    }
}
