//! A dialect whose own fault stops one report: what trips it is held with its lines, whoever has it read.

use std::sync::Arc;

use tracing::error;
use wickline_listen::dialect::query::Asked;
use wickline_listen::dialect::{Dialect, LineAnatomy, LinkKind};
use wickline_listen::ear::{Cut, Transmission};
use wickline_normalize::report::RawLine;
use wickline_normalize::{Hold, Private, Reason, Report};

use crate::tripped::guarded;

/// A dialect behind a guard.
pub struct Guarded(pub Arc<dyn Dialect>);

/// A line as far as it can be shown without the dialect.
fn text(cut: &Cut) -> Private {
    Private::new(String::from_utf8_lossy(&cut.bytes))
}

impl Dialect for Guarded {
    fn name(&self) -> &str {
        self.0.name()
    }

    fn link(&self) -> LinkKind {
        self.0.link()
    }

    fn control_sign(&self) -> bool {
        self.0.control_sign()
    }

    fn not_passed_sign(&self) -> bool {
        self.0.not_passed_sign()
    }

    fn several(&self) -> bool {
        self.0.several()
    }

    fn read(&self, transmission: &Transmission) -> Vec<Report> {
        guarded(|| self.0.read(transmission)).unwrap_or_else(|tripped| {
            error!(dialect = self.name(), %tripped, "a report could not be read: it is held");
            let line = |cut: &Cut| RawLine { place: cut.place, text: text(cut) };
            vec![Report {
                place: transmission.place,
                lines: transmission.lines.iter().map(line).collect(),
                doubts: vec![Hold::new(Reason::Unreadable, tripped.to_string())],
                ..Report::default()
            }]
        })
    }

    fn asked(&self, transmission: &Transmission) -> Option<Asked> {
        guarded(|| self.0.asked(transmission)).unwrap_or_else(|tripped| {
            error!(dialect = self.name(), %tripped, "a question could not be read: it is not answered");
            None
        })
    }

    fn answers(&self) -> bool {
        self.0.answers()
    }

    fn anatomy(&self, transmission: &Transmission) -> Vec<LineAnatomy> {
        guarded(|| self.0.anatomy(transmission)).unwrap_or_else(|_| {
            let lines = transmission.lines.iter().enumerate();
            lines
                .map(|(line, cut)| LineAnatomy { line, text: text(cut), parts: Vec::new() })
                .collect()
        })
    }

    fn encode(&self, text: &str) -> Option<Vec<u8>> {
        self.0.encode(text)
    }

    fn unchecked<'l>(&self, line: &'l str) -> &'l str {
        self.0.unchecked(line)
    }

    fn checked(&self, lines: Vec<String>) -> Vec<String> {
        self.0.checked(lines)
    }
}

#[cfg(test)]
mod tests {
    use wickline_listen::ear::hear;

    use super::*;

    /// Its author counted on three fields.
    struct Hasty(Arc<dyn Dialect>);

    impl Dialect for Hasty {
        fn name(&self) -> &str {
            "hasty"
        }

        fn link(&self) -> LinkKind {
            self.0.link()
        }

        fn control_sign(&self) -> bool {
            false
        }

        fn read(&self, transmission: &Transmission) -> Vec<Report> {
            let fields: Vec<&[u8]> = transmission.lines[0].bytes.split(|b| *b == b';').collect();
            let number = Some(String::from_utf8_lossy(fields[2]).into_owned());
            vec![Report { place: transmission.place, number, ..Report::default() }]
        }

        fn anatomy(&self, transmission: &Transmission) -> Vec<LineAnatomy> {
            unreachable!("{:?}", transmission.lines)
        }
    }

    #[test]
    fn what_trips_a_dialect_is_held_with_its_lines_and_the_next_is_read() {
        let printed = wickline_listen::dialect::builtin("three-field").expect("it is shipped");
        let dialect = Guarded(Arc::new(Hasty(printed)));
        let heard = hear(&dialect, b"KP-20417 \xff\r\n\r\n\r\n");
        let [report] = &dialect.read(&heard[0])[..] else { panic!("one report") };
        assert_eq!((report.place, report.lines.len()), (heard[0].place, heard[0].lines.len()));
        assert_eq!(report.lines[0].text.expose(), "KP-20417 \u{fffd}");
        let [doubt] = &report.doubts[..] else { panic!("one doubt") };
        assert_eq!(doubt.reason, Reason::Unreadable);
        assert!(!doubt.detail.contains("KP-"), "{}", doubt.detail);
        assert_eq!(dialect.anatomy(&heard[0]).len(), heard[0].lines.len());
        let next = hear(&dialect, b"a;b;0012\r\n\r\n\r\n");
        assert_eq!(dialect.read(&next[0])[0].number.as_deref(), Some("0012"));
    }
}
