//! How fast the dialects are read, against the same text cut into fields by hand.
//!
//! `cargo bench -p wickline-listen`. Look at the ratios: both sides are taken in turn in one
//! process, the median of seven pairs. Goal: `lis02` at least 0.87 of the cutting by hand, `ticket`
//! 0.52, `three-field` 0.44 and `two-column` 0.43. That owns each field but knows nothing of what it
//! means. Short texts stand in the `Report` itself: what is left is the work on the letters, little of
//! it in the allocator.

use std::hint::black_box;
use std::time::{Duration, Instant};

use wickline_listen::dialect::{self, Dialect};
use wickline_listen::ear::{Cut, Ending, Transmission};
use wickline_normalize::Place;

const ROUNDS: usize = 7;
const REPORTS: usize = 20_000;

const LIS02: &[&str] = &[
    r"H|\^&|||STRIP1|||||LIS||P|LIS2-A2|20250314091502",
    "P|1",
    "O|1|U2503140017|0041|^^^TEN|R||20250314084500||||N||||UR||||||||||F",
    "R|1|^^^BIL|NEG|mg/dL|NEG|N||F||op7||20250314091455|STRIP1",
    "R|2|^^^BLD|TR^6|/uL|NEG|A||F||op7||20250314091455|STRIP1",
    "R|3|^^^GLU|2+^400|mg/dL|NEG|A||F||op7||20250314091455|STRIP1",
    "R|4|^^^KET|NEG|mg/dL|NEG|N||F||op7||20250314091455|STRIP1",
    "R|5|^^^LEU|1+^35|/uL|NEG|A||F||op7||20250314091455|STRIP1",
    "R|6|^^^NIT|NEG||NEG|N||F||op7||20250314091455|STRIP1",
    "R|7|^^^PH|6.0||5.0 to 8.0|N||F||op7||20250314091455|STRIP1",
    "R|8|^^^PRO|1+^30|mg/dL|NEG|A||F||op7||20250314091455|STRIP1",
    "R|9|^^^SG|1.012||1.003 to 1.030|N||F||op7||20250314091455|STRIP1",
    "R|10|^^^URO|NORM^0.3|mg/dL||N||F||op7||20250314091455|STRIP1",
    "L|1|N",
];

const THREE_FIELD: &[&str] = &[
    "NEW;0042;14.03.2026 09:14:55",
    "WHO;KP-31742;op7",
    "STR;TEN;S7731",
    "GLU;2+;22 mmol/L !",
    "BIL;NEG;",
    "KET;TR;0,8 mmol/L",
    "SG;;>=1,028",
    "BLD;1+;20 10^6/L !",
    "PH;;6,0",
    "PRO;TR;0,12 g/L",
    "NIT;NEG;",
    "LEU;NEG;",
    "END;0042;",
];

const TICKET: &[&str] = &[
    "TICKET 0042   14/03/26 09.14.55",
    "FOR KP-31742",
    "STRIP TEN LOT S7731 USE BY 11/27",
    "GLU  2+     400 mg/dL  *  BIL  NEG",
    "KET  TR       8 mg/dL     SG        1.028",
    "PRO  TR      12 mg/dL     URO  NORM   0.3 mg/dL",
    "NIT  NEG                  LEU  NEG",
];

const TWO_COLUMN: &[&str] = &[
    "KESTREL POINT CLINIC",
    "No. 0041",
    "ID U2503140017",
    "2025-03-14 09:14:55",
    "Operator op7",
    "BIL   NEG",
    "BLD   TR        6 /uL",
    "GLU   2+      400 mg/dL *",
    "KET   NEG",
    "LEU   1+       35 /uL *",
    "NIT   NEG",
    "PH            6.0",
    "PRO   1+       30 mg/dL *",
    "SG          1.012",
    "URO   NORM    0.3 mg/dL",
];

fn transmission(lines: &[&str]) -> Transmission {
    let mut at = 0;
    let cut = |line: &&str| {
        let place = Place { from: at, to: at + line.len() as u64 };
        at = place.to + 2;
        Cut { place, bytes: line.as_bytes().to_vec(), flawed: false }
    };
    let lines: Vec<Cut> = lines.iter().map(cut).collect();
    Transmission { place: Place { from: 0, to: at }, lines, ending: Ending::Complete }
}

/// As few instructions as fields cost: find the separators, own each field once.
fn by_hand(transmission: &Transmission, separator: u8) -> Vec<Vec<String>> {
    let line = |cut: &Cut| {
        let mut fields = Vec::new();
        let mut from = 0;
        let ends = memchr::memchr_iter(separator, &cut.bytes).chain([cut.bytes.len()]);
        for to in ends {
            if to > from {
                fields.push(String::from_utf8_lossy(&cut.bytes[from..to]).into_owned());
            }
            from = to + 1;
        }
        fields
    };
    transmission.lines.iter().map(line).collect()
}

fn timed<T>(mut work: impl FnMut() -> T) -> Duration {
    let start = Instant::now();
    for _ in 0..REPORTS {
        black_box(work());
    }
    start.elapsed()
}

fn compare(dialect: &dyn Dialect, lines: &[&str], separator: u8) {
    let sent = transmission(lines);
    let reports = dialect.read(&sent);
    let bytes = sent.place.to as f64 * REPORTS as f64;
    let mut rounds: Vec<[f64; 3]> = (0..ROUNDS)
        .map(|_| {
            let hand = timed(|| by_hand(black_box(&sent), separator)).as_secs_f64();
            let read = timed(|| dialect.read(black_box(&sent))).as_secs_f64();
            let copied = timed(|| black_box(&reports).clone()).as_secs_f64();
            [hand / read, copied / read, bytes / read / 1e6]
        })
        .collect();
    rounds.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let [hand, copied, speed] = rounds[ROUNDS / 2];
    println!(
        "{:<12} {speed:.0} MB/s; {hand:.2} of cutting by hand; copying the report takes {copied:.2} \
         of reading it",
        dialect.name()
    );
}

fn main() {
    let builtin = |name| dialect::builtin(name).expect("built in");
    compare(builtin("lis02").as_ref(), LIS02, b'|');
    compare(builtin("two-column").as_ref(), TWO_COLUMN, b' ');
    compare(builtin("three-field").as_ref(), THREE_FIELD, b';');
    compare(builtin("ticket").as_ref(), TICKET, b' ');
}
