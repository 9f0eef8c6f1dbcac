//! What can be said of a print only once all of it is read: its times, its counts, its pages.

use wickline_normalize::{Hold, Moment, Reason, Report};

use super::Page;
use crate::dialect::anatomy::LineAnatomy;
use crate::dialect::calendar::{Said, Times};
use crate::dialect::text::cut;
use crate::ear::{Ending, Transmission};

impl<'s: 't, 't> Page<'s, 't> {
    /// The report, unless the print said nothing and nothing in it was left unread.
    pub(super) fn finish(
        mut self,
        transmission: &Transmission,
    ) -> (Option<Report>, Vec<LineAnatomy>) {
        self.settle();
        self.settle_table();
        self.placed();
        self.report.doubts.extend(cut(&transmission.ending));
        self.times();
        let ended = transmission.ending == Ending::Complete;
        self.counted(ended);
        self.paged(ended);
        self.vouched(ended);
        let off = std::mem::take(&mut self.off);
        for (line, label) in &off {
            if self.report.readings.iter().any(|reading| reading.label == *label) {
                self.unreadable(*line, "a pad is off in this line and has a result in another");
            }
        }
        let says = self.told
            || !off.is_empty()
            || !self.report.readings.is_empty()
            || !self.report.doubts.is_empty();
        (says.then_some(self.report), self.anatomy.unwrap_or_default())
    }

    /// Once the whole print is read: a date and its time may stand lines apart.
    fn times(&mut self) {
        let calendar = &self.shape.calendar;
        if let Some((line, text)) = self.expiry {
            self.report.strip_expiry = calendar.expiry(text);
            if self.report.strip_expiry.is_none() {
                self.unreadable(line, "the expiry is no date that the calendar has");
            }
        }
        let Some(line) = self.said_at else { return };
        let all = std::mem::take(&mut self.moments);
        if all.is_empty() {
            self.report.taken = self.moment(line, &self.said.clone());
            return;
        }
        let (mut taken, mut clash): (Option<Moment>, bool) = (None, false);
        for (line, said) in &all {
            let Some(moment) = self.moment(*line, said) else { continue };
            if taken.is_some_and(|before| moment.wall() < before.wall()) {
                self.unreadable(*line, "a time is earlier than one above it, under the same date");
                clash = true;
            }
            if taken.is_none() || calendar.times == Times::Last {
                taken = Some(moment);
            }
        }
        self.report.taken = taken.filter(|_| !clash);
    }

    /// What is said of one moment; what is none holds the report.
    fn moment(&mut self, line: usize, said: &Said<'_>) -> Option<Moment> {
        let calendar = &self.shape.calendar;
        let moment = calendar.moment(said);
        if moment.is_none() {
            if !said.names_a_time() || said.names_a_day() {
                let why = match calendar.half_words().filter(|_| calendar.lacks_its_half(said)) {
                    Some(words) => {
                        format!("the time says no half of the day, {words}, and may be of either")
                    }
                    None => "the date or time is not one that the calendar has".to_owned(),
                };
                self.unreadable(line, &why);
            } else if !calendar.time_alone {
                self.unreadable(line, "a time is printed without its date");
            }
        }
        moment
    }

    /// A print that counts its readings, or the marked ones among them, and has others, is not whole.
    fn counted(&mut self, ended: bool) {
        let read = self.report.readings.len() + self.off.len();
        let marked = self.report.readings.iter().filter(|reading| reading.is_marked()).count();
        let last = self.report.lines.len().saturating_sub(1);
        let mut lacks = ended && read > 0;
        for (said, must, found, what) in [
            (self.count, self.shape.counts, read, "readings"),
            (self.marked, self.shape.marked, marked, "marked readings"),
        ] {
            let (line, why) = match said {
                Some((_, text)) if text.parse() == Ok(found) => continue,
                Some((line, text)) => (
                    line,
                    format!("the print says that it has {text} {what}, and {found} were read"),
                ),
                // One line says both as a rule: that it did not come is told once.
                None if must && std::mem::take(&mut lacks) => {
                    (last, format!("the line that says how many {what} there are did not come"))
                }
                None => continue,
            };
            self.report.doubts.push(Hold::new(Reason::Incomplete, why).at(line));
        }
    }

    /// Of a print that names its pages all must be there, in their order.
    fn paged(&mut self, ended: bool) {
        let pages = std::mem::take(&mut self.pages);
        let number = |text: &str| text.parse::<usize>().ok();
        let mut wrong = None;
        for (nth, (line, page, pages_said)) in (1..).zip(&pages) {
            let all = pages.first().is_some_and(|(.., first)| number(first) == number(pages_said));
            if number(page) != Some(nth) || !all {
                let why = format!("page {page} of {pages_said} came as page {nth} of this report");
                wrong = wrong.or(Some((*line, why)));
            }
        }
        let last = self.report.lines.len().saturating_sub(1);
        let says = !self.report.readings.is_empty() || !self.off.is_empty();
        let lacking = match pages.last() {
            Some((.., all)) if number(all) == Some(pages.len()) => None,
            Some((.., all)) => {
                Some(format!("the report has {all} pages, and {} came", pages.len()))
            }
            None if self.shape.pages && says => {
                Some("no line says which page of the report this is".to_owned())
            }
            None => None,
        };
        let lacking = lacking.filter(|_| ended).map(|why| (last, why));
        if let Some((line, why)) = wrong.or(lacking) {
            self.report.doubts.push(Hold::new(Reason::Incomplete, why).at(line));
        }
    }
}
