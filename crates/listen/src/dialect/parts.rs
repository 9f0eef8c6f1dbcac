//! Several reports on one page: what stands above the first and below the last is said of each of them.
//!
//! Each report is read as if it had been printed alone, with the lines that it shares; its place on the tape is that of
//! its own lines, so that no two reports have one place and either can be found and read again by itself.

use std::ops::Range;

use wickline_normalize::Place;

use super::record::Record;
use crate::ear::{Cut, Ending, Transmission};
use crate::printed::begins;

/// Lines and bytes that reports share at most: they are read once for each.
const MAX_SHARED: usize = 40;
const MAX_SHARED_BYTES: usize = 4_096;

/// How a page falls into reports.
#[derive(Clone, Debug, Default)]
pub(super) struct Parts {
    /// How the first line of each report begins.
    pub each: Vec<Vec<u8>>,
    /// Each line but a heading is a report.
    pub each_line: bool,
    /// How the line begins below which everything is said of each.
    pub foot: Vec<Vec<u8>>,
}

/// One report of a page: what is read, and which line of the page each of its lines is.
pub(super) struct Single {
    pub transmission: Transmission,
    pub lines: Vec<usize>,
}

impl Parts {
    /// The reports of a page, in order; the page as it is where it has one.
    pub fn of(&self, record: Option<&Record>, page: &Transmission) -> Vec<Single> {
        let lines = &page.lines;
        let first = lines.iter().position(|line| self.starts(record, line));
        let behind = first.map_or(lines.len(), |first| first + 1);
        let below = lines.iter().skip(behind).position(|line| begins(&line.bytes, &self.foot));
        let foot = below.map_or(lines.len(), |below| behind + below);
        let own = lines.iter().enumerate().take(foot);
        let starts: Vec<usize> =
            own.filter(|(_, line)| self.starts(record, line)).map(|(n, _)| n).collect();
        let (Some(head), true) = (first, starts.len() > 1) else {
            return vec![whole(page, page.ending.clone())];
        };
        let shared = || lines.iter().take(head).chain(lines.iter().skip(foot));
        if shared().count() > MAX_SHARED
            || shared().map(|line| line.bytes.len()).sum::<usize>() > MAX_SHARED_BYTES
        {
            let why = format!(
                "several reports share more than {MAX_SHARED} lines or {MAX_SHARED_BYTES} bytes of this page"
            );
            return vec![whole(page, Ending::Cut(why))];
        }
        let ends = starts.iter().skip(1).copied().chain([foot]);
        starts.iter().zip(ends).map(|(from, to)| part(page, head, *from..to, foot)).collect()
    }

    fn starts(&self, record: Option<&Record>, line: &Cut) -> bool {
        if !self.each_line {
            return begins(&line.bytes, &self.each);
        }
        let text = String::from_utf8_lossy(&line.bytes);
        let heads =
            |record: &Record| record.pieces(&text).is_ok_and(|pieces| record.is_heading(&pieces));
        !begins(&line.bytes, &self.foot) && !record.is_some_and(heads)
    }
}

fn whole(page: &Transmission, ending: Ending) -> Single {
    let lines = (0..page.lines.len()).collect();
    Single { transmission: Transmission { ending, ..page.clone() }, lines }
}

/// The report of these lines, with what stands above the first report and from the foot on.
fn part(page: &Transmission, head: usize, own: Range<usize>, foot: usize) -> Single {
    let places = page.lines.get(own.clone()).unwrap_or_default().iter().map(|line| line.place);
    let place = places.reduce(Place::join).unwrap_or(page.place);
    let lines: Vec<usize> = (0..head).chain(own).chain(foot..page.lines.len()).collect();
    let cuts = lines.iter().filter_map(|n| page.lines.get(*n)).cloned().collect();
    Single { transmission: Transmission { place, lines: cuts, ending: page.ending.clone() }, lines }
}
