//! `status --watch`: one page that stays where it is, until q or ctrl-c.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use rustix::termios::{
    LocalModes, OptionalActions, SpecialCodeIndex, Termios, tcgetattr, tcgetwinsize, tcsetattr,
};
use tokio::signal::unix::{SignalKind, signal};
use tokio::time::Instant;

use super::{Asked, once};
use crate::cli::Answer;
use crate::cli::output::{Output, visible_lines};

/// Between two looks, and between two looks at the keyboard.
const AGAIN: Duration = Duration::from_secs(2);
const KEYS: Duration = Duration::from_millis(100);

/// Looks until somebody ends it; ends as the last look did.
pub(super) async fn watch(asked: &Asked, out: &Output) -> Answer {
    let mut ends = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    let keys = Keys::begin();
    loop {
        out.gather();
        let answer = once(asked, out).await;
        let mut page = out.gathered();
        let exit = answer.unwrap_or_else(|failure| {
            let why = format!("wickline: {}", visible_lines(&failure.text));
            if out.json {
                eprintln!("{why}");
            }
            page.push_str(&format!("{why}\n"));
            failure.exit
        });
        if !out.json {
            shown(&page, keys.is_some())?;
        }
        let next = Instant::now() + AGAIN;
        while Instant::now() < next {
            tokio::select! {
                () = tokio::time::sleep(KEYS) => {}
                _ = ends.0.recv() => return Ok(exit),
                _ = ends.1.recv() => return Ok(exit),
            }
            if keys.as_ref().is_some_and(Keys::says_end) {
                return Ok(exit);
            }
        }
    }
}

/// Writes a page over the one before, at once: by ECMA-48 the cursor goes home, the rest of each line and of the page
/// is erased.
fn shown(page: &str, keys: bool) -> std::io::Result<()> {
    let size = tcgetwinsize(std::io::stdout());
    let (rows, columns) = size.map_or((24, 80), |size| (size.ws_row.into(), size.ws_col.into()));
    let end = if keys { "q ends" } else { "ctrl-c ends" };
    let mut frame = String::from("\x1b[H");
    for line in fitted(page, rows, columns) {
        // Behind a full line the cursor still stands on its last character.
        let rest = if width(&line).is_multiple_of(columns.max(1)) && !line.is_empty() {
            ""
        } else {
            "\x1b[K"
        };
        frame.push_str(&format!("{line}{rest}\n"));
    }
    frame.push_str(&format!("{end}\x1b[K\x1b[J"));
    // The next prompt begins on a line of its own.
    frame.push('\r');
    let mut stdout = std::io::stdout().lock();
    stdout.write_all(frame.as_bytes())?;
    stdout.flush()
}

/// As many lines as the window has room for, above the last; what is longer than a line takes several.
fn fitted(page: &str, rows: usize, columns: usize) -> Vec<String> {
    let (rows, columns) =
        (if rows == 0 { 24 } else { rows }, if columns == 0 { 80 } else { columns });
    let lines: Vec<&str> = page.lines().collect();
    let mut room = rows.saturating_sub(1);
    let mut fit = Vec::new();
    for (n, line) in lines.iter().enumerate() {
        let needs = width(line).div_ceil(columns).max(1);
        let last = n + 1 == lines.len();
        // One is left for saying that there is more.
        if needs + usize::from(!last) > room {
            fit.push(format!("... {} more line(s): make the window larger", lines.len() - n));
            break;
        }
        room -= needs;
        fit.push((*line).to_owned());
    }
    fit
}

/// Characters that are seen: without the signs of colour.
fn width(line: &str) -> usize {
    let (mut width, mut sign) = (0, false);
    for c in line.chars() {
        match (sign, c) {
            (false, '\x1b') => sign = true,
            (false, _) => width += 1,
            (true, c) => sign = !c.is_ascii_alphabetic(),
        }
    }
    width
}

/// A keyboard that is read key by key, and becomes again what it was.
struct Keys(Termios);

impl Keys {
    /// None: there is none.
    fn begin() -> Option<Self> {
        let stdin = std::io::stdin();
        if !stdin.is_terminal() {
            return None;
        }
        let was = tcgetattr(&stdin).ok()?;
        let mut now = was.clone();
        now.local_modes.remove(LocalModes::ICANON | LocalModes::ECHO);
        // Nothing is waited for.
        now.special_codes[SpecialCodeIndex::VMIN] = 0;
        now.special_codes[SpecialCodeIndex::VTIME] = 0;
        tcsetattr(&stdin, OptionalActions::Now, &now).ok()?;
        Some(Self(was))
    }

    fn says_end(&self) -> bool {
        let mut keys = [0; 16];
        let typed = rustix::io::read(std::io::stdin(), &mut keys[..]).unwrap_or(0);
        keys[..typed].iter().any(|key| matches!(key, b'q' | b'Q'))
    }
}

impl Drop for Keys {
    fn drop(&mut self) {
        let _ = tcsetattr(std::io::stdin(), OptionalActions::Now, &self.0);
        let _ = writeln!(std::io::stdout());
    }
}

#[cfg(test)]
mod tests {
    use super::{fitted, width};

    #[test]
    fn a_page_is_never_taller_than_its_window() {
        assert_eq!(width("\x1b[31mdown\x1b[0m since"), 10);
        let page = "one\ntwo\nthree\n";
        assert_eq!(fitted(page, 4, 80), ["one", "two", "three"]);
        assert_eq!(fitted(page, 3, 80), ["one", "... 2 more line(s): make the window larger"]);
        // A long line takes two rows.
        let long = format!("{}\ntwo\n", "x".repeat(81));
        assert_eq!(fitted(&long, 4, 80).len(), 2);
        assert_eq!(fitted(&long, 3, 80), ["... 2 more line(s): make the window larger"]);
        assert_eq!(fitted(page, 0, 0).len(), 3, "a window that does not say how large it is");
    }
}
