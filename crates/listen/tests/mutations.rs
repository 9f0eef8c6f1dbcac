//! Hostile input by the thousand: shipped captures and dialect files, mutated by seed. Nothing may
//! break a parser, lose a line or read the same text in two ways. `WICKLINE_LONG=1` for ten million
//! inputs each.

#[path = "corpus/spoil.rs"]
#[expect(dead_code, reason = "only its captures and its dice are wanted here")]
mod spoil;
#[path = "corpus/uart.rs"]
mod uart;

use std::path::{Path, PathBuf};

use wickline_listen::dialect::{self, Dialect};
use wickline_listen::ear::{Cut, Ear, Ending, Transmission};
use wickline_normalize::{Place, Reason, Report};

use spoil::Dice;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn inputs() -> usize {
    let long = std::env::var("WICKLINE_LONG").is_ok_and(|long| long == "1");
    if long { 10_000_000 } else { 20_000 }
}

/// What parsers stumble over.
const PIECES: &[&[u8]] = &[
    b"\r",
    b"\n",
    b"\r\n",
    b"\x0c",
    b"\0",
    b"\x7f",
    b"\x08",
    b"\x1b",
    b"\x1b[",
    b"\x1d",
    b"\x02",
    b"\x03",
    b"\x05",
    b"\x04",
    b"\x17",
    b" ",
    b"\t",
    b";",
    b"|",
    b"^",
    b"&",
    b"\\",
    b"\"",
    b"=",
    b"[",
    b"{",
    b"}",
    b"?",
    b"-",
    b"<=",
    b">",
    b"1.0",
    b"1,0",
    b"10-25",
    b"+++",
    b"99999999999999999999",
    b"\xb5",
    b"\xc2\xb5",
    b"\xe2\x89\xa5",
    b"\xff",
    b"\xf0\x9f\x92\xa7",
    b"\xef\xbf\xbd",
    b"PM",
    b"0",
];

fn mutate(seed: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut bytes = seed.to_vec();
    for _ in 0..=dice.below(4) {
        let at = dice.below(bytes.len() + 1);
        let to = at + dice.below((bytes.len() - at).min(40) + 1);
        match dice.below(6) {
            0 => drop(bytes.drain(at..to)),
            1 => {
                let again = bytes[at..to].to_vec();
                let place = dice.below(bytes.len() + 1);
                bytes.splice(place..place, again);
            }
            2 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = u8::try_from(dice.below(256)).expect("a byte");
                }
            }
            3 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << dice.below(8);
                }
            }
            _ => {
                let piece = *dice.one(PIECES);
                bytes.splice(at..at, piece.iter().copied());
            }
        }
    }
    bytes
}

fn heard(dialect: &dyn Dialect, bytes: &[u8], dice: &mut Dice) -> Vec<Transmission> {
    let flaws: Vec<usize> = (0..dice.below(3)).map(|n| n * dice.below(bytes.len())).collect();
    let mut ear = Ear::new(dialect);
    let cut = dice.below(bytes.len() + 1);
    let before: Vec<usize> = flaws.iter().copied().filter(|flaw| *flaw < cut).collect();
    ear.handle_input(0, &bytes[..cut], 0, &before);
    ear.handle_input(dice.below(9_000_000) as i64, &bytes[cut..], cut as u64, &[]);
    while let Some(deadline) = ear.poll_timeout() {
        ear.handle_timeout(deadline);
    }
    let all = std::iter::from_fn(|| ear.poll_transmission()).collect();
    assert!(ear.is_idle());
    all
}

/// What must hold of whatever was heard.
fn examine(dialect: &dyn Dialect, transmission: &Transmission) {
    let reports = dialect.read(transmission);
    for report in &reports {
        let lines = report.lines.len();
        assert!(report.readings.iter().all(|reading| reading.line < lines));
        assert!(report.doubts.iter().filter_map(|doubt| doubt.line).all(|line| line < lines));
    }
    let anatomy = dialect.anatomy(transmission);
    assert_eq!(anatomy.len(), transmission.lines.len());
    for (index, line) in anatomy.iter().enumerate() {
        assert_eq!(line.line, index);
        let mut end = 0;
        for (range, _) in &line.parts {
            assert!(end <= range.start && range.start < range.end, "{:?}", line.parts);
            assert!(line.text.expose().get(range.clone()).is_some());
            end = range.end;
        }
    }
}

/// A kept print says the same when it is read again, as `held reread` does.
fn reread(dialect: &dyn Dialect, kept: &Report) {
    let holds = |reason, line| {
        let same = |doubt: &&wickline_normalize::Hold| (doubt.reason, doubt.line) == (reason, line);
        kept.doubts.iter().find(same)
    };
    let cut = |(index, line): (usize, &wickline_normalize::RawLine)| Cut {
        place: line.place,
        bytes: line.text.expose().as_bytes().to_vec(),
        flawed: holds(Reason::LineError, Some(index)).is_some(),
    };
    let transmission = Transmission {
        place: kept.place,
        lines: kept.lines.iter().enumerate().map(cut).collect(),
        ending: holds(Reason::Incomplete, None)
            .map_or(Ending::Complete, |doubt| Ending::Cut(doubt.detail.clone())),
    };
    assert_eq!(dialect.read(&transmission), std::slice::from_ref(kept));
}

fn fuzz(name: &'static str, seed: u64) {
    let dialect = dialect::builtin(name).expect("built in");
    let captures = spoil::captures(&root().join("fixtures/listen"), &[name]);
    let mut dice = Dice(seed);
    for _ in 0..inputs() {
        let (.., capture) = dice.one(&captures);
        let bytes = mutate(capture, &mut dice);
        for transmission in heard(dialect.as_ref(), &bytes, &mut dice) {
            examine(dialect.as_ref(), &transmission);
            if name != "lis02" {
                dialect.read(&transmission).iter().for_each(|kept| reread(dialect.as_ref(), kept));
            }
        }
    }
}

#[test]
fn two_column() {
    fuzz("two-column", 0x2C01);
}

#[test]
fn three_field() {
    fuzz("three-field", 0x3F02);
}

#[test]
fn wide_label() {
    fuzz("wide-label", 0x1B03);
}

#[test]
fn ticket() {
    fuzz("ticket", 0x7C04);
}

/// Notations that no shipped dialect uses, each with a print of it.
const NOTATIONS: &[(&str, &str)] = &[
    (
        "[header]\nlines = [\"No. {number} of {any} desk\", \"{any} {date} {time}\", \"~{count}\"]\n\
         [results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\nbetween = [\"/\", \":\"]\n\
         both_units = true\nmarks_glued = [\"*\", \"H\"]\nunread = [\"---\"]\noff = [\"OFF\"]\n\
         [marks]\n\"*\" = \"abnormal\"\nH = \"high\"\n",
        "No. 0042 of the west desk\r\nKestrel Point 26-W48-3 09:14\r\nGLU 2+/400 mg/dL (22 mmol/L)*\r\n\
         KET TR* 8 mg/dL 0.8 mmol/L\r\nPRO 1+H\r\nPH 6.0*\r\nNIT OFF\r\n~5\r\n",
    ),
    (
        "[header]\nlines = [\"Day {date}\", \"At {time}\"]\n[results]\nsplit = \"blanks\"\n\
         headed = \"PADS\"\nrows = { GRADE = \"grade\", VALUE = \"value\" }\nblank = [\"-\"]\n",
        "Day 26-W48-3\r\nAt 09:12\r\nPADS GLU KET PH\r\nGRADE 2+ NEG -\r\nVALUE 400 - 6.0\r\nAt 09:14\r\n",
    ),
    (
        "[record]\nsplit = \";\"\n[header]\nlines = [\"NO={number}\", \"ID={specimen?}\", \"N={count?}\"]\n\
         [results]\nsplit = \"=:\"\ncells = [\"label\", \"result\"]\n",
        "NO=0042;ID=KP-1;GLU=2+ 400 mg/dL;NIT:NEG;\r\nPH=6.0;N=3\r\n",
    ),
    (
        "[record]\nsplit = \",\"\nquoted = true\nfields = [\"{number}\", \"{specimen?}\", \"{date} {time}\"]\n\
         heading = [\"No\", \"Id\", \"When\", \"GLU\", \"KET\"]\n[header]\nlines = []\n\
         [results]\nsplit = \"blanks\"\ncells = [\"result\"]\norder = [\"GLU\", \"KET\"]\n",
        "No,Id,When,GLU,KET\r\n0042,\"KP, 1\",2026W483 09:14,\"2+ 400 mg/dL\",NEG\r\n",
    ),
];

#[test]
fn notations() {
    let mut dice = Dice(0x4071);
    for (part, print) in NOTATIONS {
        let base = "name = \"own\"\n[dates]\norder = \"week\"\nyears_from = 1980\ntimes = \"last\"\n\
                    [report]\nsilence_ms = 3000\n";
        let header = if part.contains("[header]") { "" } else { "[header]\nlines = []\n" };
        let dialect = dialect::parse(&format!("{base}{header}{part}"), "own.toml").expect("good");
        let mut whole = Ear::new(dialect.as_ref());
        whole.handle_input(0, print.as_bytes(), 0, &[]);
        whole.handle_timeout(whole.poll_timeout().expect("a silence ends it"));
        let sound = dialect.read(&whole.poll_transmission().expect("one"));
        assert!(sound.len() == 1 && sound[0].doubts.is_empty(), "{sound:?}");
        for _ in 0..inputs() / NOTATIONS.len() {
            let bytes = mutate(print.as_bytes(), &mut dice);
            for transmission in heard(dialect.as_ref(), &bytes, &mut dice) {
                examine(dialect.as_ref(), &transmission);
                dialect.read(&transmission).iter().for_each(|kept| reread(dialect.as_ref(), kept));
            }
        }
    }
}

/// Its frames are guarded by sums that mutations do not meet: records are mutated behind the link.
#[test]
fn lis02() {
    fuzz("lis02", 0x1205);
    let dialect = dialect::builtin("lis02").expect("built in");
    let mut dice = Dice(0x1206);
    let captures = spoil::captures(&root().join("fixtures/listen"), &["lis02"]);
    let hear = |bytes: &[u8]| heard(dialect.as_ref(), bytes, &mut Dice(1 << 20));
    let sound: Vec<Transmission> = captures.iter().flat_map(|(.., bytes)| hear(bytes)).collect();
    assert!(sound.len() > 5);
    for _ in 0..inputs() {
        let mut transmission = dice.one(&sound).clone();
        let count = transmission.lines.len();
        let line = &mut transmission.lines[dice.below(count)];
        line.bytes = mutate(&line.bytes, &mut dice);
        line.flawed = dice.below(20) == 0;
        if dice.below(5) == 0 {
            let (one, other) = (dice.below(count), dice.below(count));
            transmission.lines.swap(one, other);
        }
        examine(dialect.as_ref(), &transmission);
    }
}

/// A dialect file is refused with its faults or taken; what is taken reads whatever comes.
#[test]
fn dialect_files() {
    let names = ["two-column", "three-field", "wide-label", "ticket"];
    let files = names.map(|name| {
        let path = root().join(format!("config/dialects/{name}.toml"));
        std::fs::read(path).expect("a shipped dialect")
    });
    let captures = spoil::captures(&root().join("fixtures/listen"), &names);
    let mut dice = Dice(0xF107);
    let mut taken = 0;
    for _ in 0..inputs() {
        let bytes = mutate(&files[dice.below(4)], &mut dice);
        let text = String::from_utf8_lossy(&bytes);
        match dialect::parse(&text, "own.toml") {
            Err(faults) => {
                assert!(!faults.is_empty());
                let lines = text.lines().count().max(1);
                assert!(faults.iter().all(|fault| fault.line <= lines + 1 && fault.column > 0));
            }
            Ok(dialect) => {
                taken += 1;
                let (.., capture) = dice.one(&captures);
                for transmission in heard(dialect.as_ref(), capture, &mut dice) {
                    examine(dialect.as_ref(), &transmission);
                }
            }
        }
    }
    assert!(taken > 100, "{taken} taken");
    let place = Place { from: 0, to: 1 };
    let line = Cut { place, bytes: vec![b'x'; 4_096], flawed: false };
    for name in names {
        let dialect = dialect::builtin(name).expect("built in");
        let lines = vec![line.clone(); 512];
        examine(dialect.as_ref(), &Transmission { place, lines, ending: Ending::Complete });
    }
}
