//! How LIS02 records are read, rule by rule.

use proptest::prelude::*;
use wickline_normalize::{MarkMeaning, Place, Reason, Report, Status, Text};

use super::Lis02;
use crate::dialect::Dialect;
use crate::ear::{Cut, Ending, Transmission};

const H: &str = r"H|\^&|||STRIP1|||||LIS||P|LIS2-A2|20250314091502";
const O: &str = "O|1|U2503140017|0041|^^^TEN|R";

fn transmission<T: AsRef<[u8]>>(records: &[T], ending: Ending) -> Transmission {
    let mut at = 0;
    let lines = records.iter().map(|record| {
        let bytes = record.as_ref().to_vec();
        let place = Place { from: at, to: at + bytes.len() as u64 };
        at = place.to + 1;
        Cut { place, bytes, flawed: false }
    });
    let lines: Vec<Cut> = lines.collect();
    Transmission { place: Place { from: 0, to: at }, lines, ending }
}

fn read<T: AsRef<[u8]>>(records: &[T]) -> Vec<Report> {
    Lis02::default().read(&transmission(records, Ending::Complete))
}

/// One report from an order with these records below it.
fn one(records: &[&str]) -> Report {
    let all = [&[H, "P|1", O], records, &["L|1|N"]].concat();
    let mut reports = read(&all);
    assert_eq!(reports.len(), 1);
    reports.remove(0)
}

fn reasons(report: &Report) -> Vec<Reason> {
    report.doubts.iter().map(|doubt| doubt.reason).collect()
}

fn parts(value: &str) -> Vec<Text> {
    let report = one(&[&format!("R|1|^^^GLU|{value}|mg/dL")]);
    report.readings[0].parts.to_vec()
}

#[test]
fn r4_is_cut_into_its_parts_and_a_comparator_joins_its_number() {
    assert_eq!(parts("NEG"), ["NEG"]);
    assert_eq!(parts("2+^100"), ["2+", "100"]);
    assert_eq!(parts("100^2+"), ["100", "2+"]);
    assert_eq!(parts(">^1200"), [">1200"]);
    assert_eq!(parts("4+^>=^2400"), ["4+", ">=2400"]);
    assert_eq!(parts(">=2400^"), [">=2400"]);
    assert_eq!(parts(""), [""; 0]);
    assert_eq!(parts("^"), [""; 0]);
    assert_eq!(parts("\"\""), [""; 0]);
    assert_eq!(
        parts("2+^>"),
        ["2+", ">"],
        "a comparator of nothing is left for the strip to refuse"
    );
}

#[test]
fn more_than_four_parts_are_not_understood() {
    assert_eq!(reasons(&one(&["R|1|^^^GLU|a^b^c^d"])), []);
    let report = one(&["R|1|^^^GLU|a^b^c^d^e"]);
    assert_eq!((reasons(&report), report.doubts[0].line), (vec![Reason::Unreadable], Some(3)));
}

#[test]
fn marks_and_their_meaning() {
    for (text, meaning) in [
        ("N", MarkMeaning::Normal),
        ("A", MarkMeaning::Abnormal),
        ("L", MarkMeaning::Low),
        ("LL", MarkMeaning::Low),
        ("H", MarkMeaning::High),
        ("HH", MarkMeaning::High),
        ("<", MarkMeaning::Other),
        (">", MarkMeaning::High),
        ("AA", MarkMeaning::Abnormal),
        ("U", MarkMeaning::Other),
        ("n", MarkMeaning::Other),
    ] {
        let report = one(&[&format!("R|1|^^^GLU|NEG|||{text}")]);
        let mark = report.readings[0].mark.clone().expect("a mark");
        assert_eq!((mark.text.as_str(), mark.meaning), (text, meaning));
    }
    assert_eq!(one(&["R|1|^^^GLU|NEG||||"]).readings[0].mark, None);
}

#[test]
fn only_four_codes_of_r9_are_final() {
    for (code, status) in [
        ("", Status::Final),
        ("F", Status::Final),
        ("V", Status::Final),
        ("R", Status::Final),
        ("C", Status::Correction),
        ("X", Status::Unread),
        ("I", Status::NotFinal('I')),
        ("P", Status::NotFinal('P')),
        ("W", Status::NotFinal('W')),
        ("f", Status::NotFinal('f')),
    ] {
        let report = one(&[&format!("R|1|^^^GLU|NEG|||||{code}")]);
        assert_eq!(report.readings[0].status, status, "{code}");
    }
}

#[test]
fn one_order_is_one_report_with_what_stands_above_it() {
    let records = [
        H,
        "P|1||A1",
        "C|1|L|fasting",
        "O|1|S1|0001",
        "R|1|^^^GLU|NEG",
        "O|2|S2|0002",
        "R|1|^^^GLU|1+",
        "C|1|I|second",
        "P|2||B2",
        "O|1|S3|0003",
        "R|1|^^^GLU|2+",
        "L|1|N",
    ];
    let reports = read(&records);
    let said: Vec<_> = reports
        .iter()
        .map(|report| {
            let patient = report.patient.as_ref().and_then(|p| p.id.as_ref()).expect("an id");
            let comments: Vec<_> = report.comments.iter().map(|c| c.expose()).collect();
            (
                report.number.as_deref().expect("a number"),
                patient.expose(),
                comments.join("/"),
                report.lines.len(),
                report.readings[0].line,
            )
        })
        .collect();
    assert_eq!(
        said,
        [
            ("0001", "A1", "fasting".to_owned(), 6, 4),
            ("0002", "A1", "fasting/second".to_owned(), 7, 4),
            ("0003", "B2", String::new(), 5, 3),
        ]
    );
}

#[test]
fn a_kept_report_reads_the_same_again() {
    // As `held reread` does: from its own lines, in UTF-8.
    let latin: &[&[u8]] = &[
        H.as_bytes(),
        b"P|1",
        b"C|1|L|fast\xe9",
        O.as_bytes(),
        b"R|1|^^^LEU|35|/\xb5L",
        b"O|2|S2",
        b"R|1|^^^GLU|NEG",
        b"L|1|T",
    ];
    for report in read(latin) {
        let again: Vec<&str> = report.lines.iter().map(|line| line.text.expose()).collect();
        let mut again = read(&again);
        assert_eq!(again.len(), 1);
        let mut again = again.remove(0);
        again.place = report.place;
        again.lines.clone_from(&report.lines);
        assert_eq!(again, report);
    }
}

#[test]
fn times_come_from_r13_then_r12_then_h14_and_are_never_guessed() {
    let taken = |records: &[&str]| one(records).taken.map(|moment| moment.digits());
    assert_eq!(taken(&["R|1|^^^GLU|NEG"]).as_deref(), Some("20250314091502"));
    assert_eq!(taken(&["R|1|^^^GLU|NEG||||||||20250314080000"]).as_deref(), Some("20250314080000"));
    let both = [
        "R|1|^^^GLU|NEG||||||||20250314080000|20250314080100",
        "R|2|^^^PH|6.0||||||||202503140759",
    ];
    assert_eq!(taken(&both).as_deref(), Some("20250314080100"));
    let report = one(&["R|1|^^^GLU|NEG|||||||||20250230"]);
    assert_eq!((reasons(&report), report.doubts[0].line), (vec![Reason::Unreadable], Some(3)));
}

#[test]
fn signs_of_class() {
    let signs =
        |header: &str, order: &str| read(&[header, "P|1", order, "R|1|^^^GLU|NEG", "L|1"])[0].signs;
    let q = H.replace("|P|LIS2", "|Q|LIS2");
    assert!(signs(&q, O).control_message && !signs(H, O).control_message);
    assert!(signs(H, "O|1|QC1||^^^TEN|R||||||Q").control_order);
    assert!(signs(H, "O|1|S1||^^^TEN|S").stat && signs(H, r"O|1|S1||^^^TEN|A\S").stat);
    assert!(!signs(H, "O|1|S1||^^^TEN|A").stat);
}

#[test]
fn what_holds_a_report() {
    let reason = |records: &[&str]| reasons(&read(records)[0]);
    let r = "R|1|^^^GLU|NEG";
    assert_eq!(
        reason(&[&H.replace("|P|LIS2", "|D|LIS2"), "P|1", O, r, "L|1"]),
        [Reason::TestMessage]
    );
    assert_eq!(
        reason(&[&H.replace("|P|LIS2", "|Y|LIS2"), "P|1", O, r, "L|1"]),
        [Reason::Unreadable]
    );
    assert_eq!(reason(&["H|AAAA", "P|1", O, r, "L|1"]), [Reason::Unreadable]);
    assert_eq!(reason(&[H, "P|1", r, "L|1"]), [Reason::Incomplete]);
    assert_eq!(reason(&[H, O, r, "L|1|E"]), [Reason::Incomplete]);
    assert_eq!(reason(&[H, O, r, "L|1|R"]), [Reason::Incomplete]);
    assert_eq!(reason(&[H, O, r, "junk", "L|1"]), [Reason::Unreadable]);
    assert_eq!(reason(&[H, O, "R|1||NEG", "L|1"]), [Reason::Unreadable]);
    assert_eq!(reason(&[H, "C|1|I|lost", "L|1"]), [Reason::Unreadable]);
    assert_eq!(reason(&[H, &format!("{O}||||||||||||||||||||I"), r, "L|1"]), [Reason::NotFinal]);
    assert_eq!(reason(&[H, O, r, "M|1|maker|x", "S|1", "L|1|F"]), []);
}

#[test]
fn two_ids_in_the_specimens_field_are_no_id() {
    let order = |o3: &str| read(&[H, "P|1", &format!("O|1|{o3}|0041"), "R|1|^^^GLU|NEG", "L|1"]);
    let report = &order(r"KP-1234\KP-9999")[0];
    assert_eq!(reasons(report), [Reason::SpecimenMalformed]);
    assert_eq!(report.doubts[0].line, Some(2), "the order");
    let specimen = report.specimen.as_ref().expect("as sent");
    assert_eq!(specimen.expose(), r"KP-1234\KP-9999", "nobody takes the first for the only one");
    assert_eq!(reasons(&order(r"KP-1234\KP-1234")[0]), [Reason::SpecimenMalformed]);
    assert_eq!(reasons(&order(r"KP-1234^L4471\KP-9999")[0]), [Reason::SpecimenMalformed]);
    assert_eq!(reasons(&order(r"KP-1234\")[0]), [], "an empty repeat names nothing");
    assert_eq!(reasons(&order(r"\KP-9999")[0]), [Reason::SpecimenMalformed]);
    assert_eq!(reasons(&order("KP&R&1234")[0]), [], "the pattern judges what was escaped");
}

#[test]
fn a_field_more_than_the_record_has_is_an_unescaped_separator() {
    let full = |record: &str, fields: usize| {
        let given = record.matches('|').count() + 1;
        format!("{record}{}", "|".repeat(fields - given))
    };
    let with = |n: usize, fields: usize| {
        let r = "R|1|^^^GLU|NEG|mg/dL||N||F";
        let mut records = [H, "P|1", O, r].map(str::to_owned);
        records[n] = full(&records[n], fields);
        read(&records).remove(0)
    };
    for (n, fields, reason) in [
        (0, 14, Reason::Unreadable),
        (1, 35, Reason::Unreadable),
        (2, 31, Reason::SpecimenMalformed),
        (3, 14, Reason::Unreadable),
    ] {
        assert_eq!(reasons(&with(n, fields)), [], "{fields} fields are all that record {n} has");
        let report = with(n, fields + 1);
        assert_eq!((reasons(&report), report.doubts[0].line), (vec![reason], Some(n)));
    }
    let escaped = O.replace("U2503140017", "KP&F&12");
    assert_eq!(reasons(&read(&[H, "P|1", &full(&escaped, 31), "R|1|^^^GLU|NEG"])[0]), []);
}

#[test]
fn a_message_that_carries_nothing_gives_nothing() {
    assert_eq!(read(&[H, "L|1|N"]), []);
    assert_eq!(read(&[H, "P|1", "L|1|N"]), []);
    assert_eq!(read(&[H, "Q|1|^U2503140017||ALL||||||||O", "L|1|N"]), []);
}

#[test]
fn what_was_broken_off_says_why_once() {
    let sent = transmission(&[H, "P|1", "R|1|^^^GLU|NEG", "L|1|T"], Ending::Cut("why".into()));
    let report = &Lis02::default().read(&sent)[0];
    assert_eq!(
        (reasons(report), report.doubts[0].detail.as_str()),
        (vec![Reason::Incomplete], "why")
    );
}

#[test]
fn a_marked_line_is_doubted() {
    let mut sent = transmission(&[H, "P|1", O, "R|1|^^^GLU|NEG", "L|1"], Ending::Complete);
    sent.lines[3].flawed = true;
    let report = &Lis02::default().read(&sent)[0];
    assert_eq!((reasons(report), report.doubts[0].line), (vec![Reason::LineError], Some(3)));
    sent.lines[3].flawed = false;
    sent.lines[0].flawed = true;
    assert_eq!(reasons(&Lis02::default().read(&sent)[0]), [Reason::LineError]);
}

#[test]
fn escapes_are_undone_after_cutting() {
    let label = |text: &str| one(&[&format!("R|1|^^^{text}|NEG")]).readings[0].label.clone();
    assert_eq!(label("G&S&L&F&U&R&&E&"), "G^L|U\\&");
    assert_eq!(label("&H&GLU&N&"), "GLU");
    assert_eq!(label("&X474C55&"), "GLU");
    assert_eq!(label("&XC2B5&&XB5&"), "µµ");
    assert_eq!(label("a&Zlocal&b"), "a&Zlocal&b");
    assert_eq!(label("A & B"), "A & B");
    assert_eq!(label("A&X4&B&Q&"), "A&X4&B&Q&");
    assert_eq!(label("&"), "&");
}

#[test]
fn delimiters_are_those_of_the_latest_header() {
    let reports =
        read(&[H, O, "R|1|^^^GLU|NEG", "h#%~!###S2", "o#1#SP~LOT#7", "r#1#~~~P!S!H#6.0", "l#1"]);
    assert_eq!(reports.len(), 2);
    assert_eq!(reports[1].control_lot.as_deref(), Some("LOT"));
    assert_eq!(
        (reports[1].number.as_deref(), reports[1].readings[0].label.as_str()),
        (Some("7"), "P~H")
    );
}

#[test]
fn the_test_id_is_the_local_code_else_a_name_else_the_universal_one() {
    let label = |id: &str| one(&[&format!("R|1|{id}|NEG")]).readings[0].label.clone();
    assert_eq!(label("^^^GLU"), "GLU");
    assert_eq!(label("5792-7^Glucose^LN^GLU^more"), "GLU");
    assert_eq!(label("5792-7^Glucose"), "Glucose");
    assert_eq!(label("GLU"), "GLU");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn nothing_sent_can_break_it_and_every_line_is_kept(
        records in prop::collection::vec(
            prop_oneof![
                4 => r"[HPORCLQMSXhr][|\\^&0-9A-Za-z+<>=.]{0,40}".prop_map(String::into_bytes),
                1 => prop::collection::vec(any::<u8>(), 1..40),
            ], 1..12),
        cut in any::<bool>(),
    ) {
        let ending = if cut { Ending::Cut("cut".into()) } else { Ending::Complete };
        let sent = transmission(&records, ending);
        let reports = Lis02::default().read(&sent);
        for report in &reports {
            for reading in &report.readings {
                prop_assert!(reading.line < report.lines.len());
            }
            for doubt in &report.doubts {
                prop_assert!(doubt.line.is_none_or(|line| line < report.lines.len()));
            }
            prop_assert_eq!(cut, report.doubts.iter().any(|d| d.detail == "cut"));
        }
        let kept = |line: &Cut| {
            reports.iter().flat_map(|report| &report.lines).any(|kept| kept.place == line.place)
        };
        let says = |line: &&Cut| b"ROCXrocx".contains(&line.bytes[0]);
        for line in sent.lines.iter().filter(says) {
            prop_assert!(kept(line));
        }
    }

    #[test]
    fn any_text_survives_its_escapes(text in r"[ -~µé]{0,20}") {
        let escaped: String = text.chars().map(|c| match c {
            '|' => "&F&".to_owned(),
            '^' => "&S&".to_owned(),
            '\\' => "&R&".to_owned(),
            '&' => "&E&".to_owned(),
            c => c.to_string(),
        }).collect();
        let report = one(&["R|1|^^^GLU|NEG", &format!("C|1|I|x{escaped}x")]);
        prop_assert_eq!(report.comments[0].expose(), format!("x{text}x"));
    }
}
