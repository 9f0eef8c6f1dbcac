//! What must hold of any bytes: targets for the tests that change a kept corpus on every run
//! (`tests/house/mutated.rs`) and for cargo-fuzz, by hand (`tests/fuzz`). Whatever comes, nothing panics, what is found
//! lies inside what was given, and how bytes were cut into reads changes nothing.

use std::path::Path;

use wickline::settings::bench::Bench;
use wickline::settings::from_text;
use wickline_forward::hl7::{Ack, Message};
use wickline_forward::mllp;
use wickline_forward::orders::{
    Answers, Incoming, Now, Site, Stamp, circle, merge, read, refused, told,
};
use wickline_listen::dialect::{self, Dialect};
use wickline_listen::ear::{Ear, Transmission, hear};
use wickline_normalize::orders::{OrderRules, Orders};
use wickline_normalize::strip::Strip;
use wickline_normalize::{Moment, Place};

/// A name, what it is tried on (a folder of the repository and how its files end), and what must hold.
pub type Target = (&'static str, &'static [(&'static str, &'static str)], fn(&[u8]));

/// All of them.
pub const ALL: &[Target] = &[
    ("link", &[("fixtures/listen/lis02", "cap")], link),
    ("lis02", &[("fixtures/listen/lis02", "cap")], lis02),
    (
        "printed",
        &[("fixtures/listen/two-column", "cap"), ("fixtures/listen/three-field", "cap")],
        printed,
    ),
    ("dialects", &[("config/dialects", "toml")], dialects),
    ("strips", &[("config/strips", "toml")], strips),
    ("configuration", &[("config", "toml")], configuration),
    ("messages", &[("fixtures/forward", "hl7"), ("fixtures/orders", "hl7")], messages),
    ("blocks", &[("fixtures/forward", "hl7")], blocks),
    ("orders", &[("fixtures/orders", "hl7")], orders),
];

/// How bytes are cut into reads: by themselves, so that one input is always cut alike.
fn pieces(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let mut rest = bytes;
    std::iter::from_fn(move || {
        let size = usize::from(*rest.first()? % 7) + 1;
        let (piece, after) = rest.split_at(size.min(rest.len()));
        rest = after;
        Some(piece)
    })
}

fn in_pieces(dialect: &dyn Dialect, bytes: &[u8]) -> Vec<Transmission> {
    let (mut ear, mut at) = (Ear::new(dialect), 0);
    for piece in pieces(bytes) {
        ear.handle_input(0, piece, at, &[]);
        at += piece.len() as u64;
    }
    let time = ear.fall_silent(0);
    ear.handle_closed(time + 1);
    std::iter::from_fn(|| ear.poll_transmission()).collect()
}

fn lies_in(inner: Place, outer: Place) -> bool {
    outer.from <= inner.from && inner.from <= inner.to && inner.to <= outer.to
}

/// What one dialect makes of bytes: each transmission and each report lies where it says.
fn heard(dialect: &dyn Dialect, bytes: &[u8]) {
    let whole = Place { from: 0, to: bytes.len() as u64 };
    for transmission in hear(dialect, bytes) {
        assert!(lies_in(transmission.place, whole), "{:?}", transmission.place);
        for line in &transmission.lines {
            assert!(lies_in(line.place, transmission.place), "{:?}", line.place);
        }
        let anatomy = dialect.anatomy(&transmission);
        assert!(anatomy.iter().all(|line| line.line < transmission.lines.len()));
        for report in dialect.read(&transmission) {
            assert!(lies_in(report.place, transmission.place), "{:?}", report.place);
            let within = |line: Option<usize>| line.is_none_or(|line| line < report.lines.len());
            assert!(report.doubts.iter().all(|doubt| within(doubt.line)), "{:?}", report.doubts);
        }
    }
}

/// LIS01: cut into other reads the same bytes are the same transmissions.
pub fn link(bytes: &[u8]) {
    let dialect = dialect::builtin("lis02").expect("built in");
    let mut at_once = Ear::new(dialect.as_ref());
    at_once.handle_input(0, bytes, 0, &[]);
    let time = at_once.fall_silent(0);
    at_once.handle_closed(time + 1);
    let at_once: Vec<Transmission> = std::iter::from_fn(|| at_once.poll_transmission()).collect();
    assert_eq!(at_once, in_pieces(dialect.as_ref(), bytes));
}

/// LIS02 records, framed or bare.
pub fn lis02(bytes: &[u8]) {
    heard(dialect::builtin("lis02").expect("built in").as_ref(), bytes);
}

/// Printed lines, by every dialect that prints.
pub fn printed(bytes: &[u8]) {
    for name in dialect::builtin_names().iter().filter(|name| **name != "lis02") {
        let dialect = dialect::builtin(name).expect("built in");
        heard(dialect.as_ref(), bytes);
        assert_eq!(hear(dialect.as_ref(), bytes), in_pieces(dialect.as_ref(), bytes), "{name}");
    }
}

/// A dialect file is refused with places, or reads whatever it hears.
pub fn dialects(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    match dialect::parse(&text, "a.toml") {
        Err(faults) => assert!(!faults.is_empty()),
        Ok(dialect) => {
            heard(
                dialect.as_ref(),
                b"Specimen KP-20417\r\nGLU  2+  500 mg/dL\r\nPH  6.5\r\n\r\n\r\n",
            );
            heard(dialect.as_ref(), bytes);
        }
    }
}

/// The same of a strip.
pub fn strips(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    if let Err(faults) = Strip::parse(&text, "a.toml") {
        assert!(!faults.is_empty());
    }
}

/// The same of a whole configuration.
pub fn configuration(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes).into_owned();
    let built =
        from_text(Path::new("./none/w.toml"), text).and_then(|loaded| Bench::build(&loaded));
    if let Err(faults) = built {
        assert!(!faults.is_empty());
    }
}

/// A message, and what a receiver answered.
pub fn messages(bytes: &[u8]) {
    let _ = Ack::read(bytes);
    let Ok(message) = Message::read(bytes) else { return };
    for name in ["MSH", "PID", "ORC", "OBR", "OBX", "SPM", "MSA", "ERR"] {
        for nth in 1..=message.count(name).min(4) {
            for field in 1..=30 {
                let _ = (message.field(name, nth, field), message.component(name, nth, field, 2));
            }
        }
    }
}

/// Blocks of MLLP: cut into other reads the same bytes are the same blocks, and none is longer than it may be.
pub fn blocks(bytes: &[u8]) {
    const MOST: usize = 4_096;
    let framed = [bytes, &mllp::frame(bytes), bytes].concat();
    let read = |pieces: &mut dyn Iterator<Item = &[u8]>| -> Vec<mllp::Event> {
        let mut reader = mllp::Reader::new(MOST);
        pieces.for_each(|piece| reader.handle_input(piece));
        let events = std::iter::from_fn(|| reader.poll_event());
        events.filter(|event| !matches!(event, mllp::Event::Junk(_))).collect()
    };
    let at_once = read(&mut std::iter::once(&framed[..]));
    assert_eq!(at_once, read(&mut pieces(&framed)));
    for event in at_once {
        assert!(!matches!(event, mllp::Event::Block(block) if block.len() > MOST));
    }
}

/// Orders: whatever comes is answered by what can be read, and no name can be seen.
pub fn orders(bytes: &[u8]) {
    let mut site = Site::new("lis");
    let pads = |names: &[&str]| names.iter().map(|name| (*name).into()).collect();
    site.tests = vec![("UADIP".into(), pads(&["GLU", "PH"])), ("UGLU".into(), pads(&["GLU"]))];
    let (mut orders, rules) = (Orders::default(), OrderRules::default());
    let now = Now {
        seconds: 1_773_476_102,
        local: &|at| Some(at.wall()),
        queried: &|_| false,
        of_material: &|_| false,
    };
    let made = Moment::from_digits("20260314081502+0000").expect("a time");
    let stamp = Stamp { control_ids: ["WK-1", "WK-1"], made };
    // Twice: what was taken comes again.
    for _ in 0..2 {
        let answers = match read(bytes, &site) {
            Err(unread) => refused(&unread, &site, stamp),
            Ok(Incoming::Orders(message)) => {
                let decided = message.take(&mut orders, &site, &rules, &now);
                Some(message.answers(&decided, &site, stamp))
            }
            Ok(Incoming::Merge(envelope, pairs)) => {
                let fault = merge(&mut orders, &pairs, now.seconds).err().map(|_| circle());
                Some(told(&envelope, fault, &site, stamp))
            }
            Ok(Incoming::Update(envelope, patient)) => {
                orders.update(&patient.person, now.seconds);
                Some(told(&envelope, None, &site, stamp))
            }
            Ok(Incoming::Found(..)) => None,
        };
        let Some(answers) = answers else { return };
        let Answers { accept, application, .. } = answers.expect("an answer can be written");
        for answer in [accept, application].into_iter().flatten() {
            assert!(Ack::read(&answer).is_ok(), "an answer is one");
        }
        assert!(!format!("{orders:?}").contains("Invented"), "a name can be seen");
    }
}
