//! Reports over several pages, and several reports on one page: none is taken for another, and none for whole.

use std::collections::BTreeSet;

use wickline_normalize::{Place, Reason, Report};

use super::notation::{doubts, report, results, with};
use crate::dialect::{self, Dialect, LinkKind};
use crate::ear::{Cut, Ear, Ending, Transmission};

const PAGES: &str = "[report]\nlast_line = [\"END\"]\nmust_end = true\nsilence_ms = 3000\npage_bytes = [\"FF\"]\n\
                     [header]\nlines = [\"CLINIC\", \"No. {number}\", \"Page {page} of {pages}\", \"END\"]\n";

fn heard(dialect: &dyn Dialect, bytes: &[u8]) -> Vec<Transmission> {
    let mut ear = Ear::new(dialect);
    ear.handle_input(0, bytes, 0, &[]);
    ear.fall_silent(0);
    std::iter::from_fn(|| ear.poll_transmission()).collect()
}

fn reports(dialect: &dyn Dialect, bytes: &[u8]) -> Vec<Report> {
    heard(dialect, bytes).iter().flat_map(|one| dialect.read(one)).collect()
}

fn incomplete(report: &Report) -> bool {
    report.doubts.iter().any(|doubt| doubt.reason == Reason::Incomplete)
}

#[test]
fn a_report_over_several_pages_has_all_of_them_in_their_order() {
    let dialect = with(PAGES);
    let page = |n: usize, of: usize, result: &str| {
        format!("CLINIC\nNo. 0042\nPage {n} of {of}\n{result}\n\x0c")
    };
    let print = |pages: &[(usize, usize, &str)]| {
        let pages: Vec<String> =
            pages.iter().map(|(n, of, result)| page(*n, *of, result)).collect();
        let all = reports(dialect.as_ref(), format!("{}END\n", pages.concat()).as_bytes());
        assert_eq!(all.len(), 1, "one report, whatever its pages");
        all.into_iter().next().expect("one")
    };
    let whole = print(&[(1, 2, "GLU NEG"), (2, 2, "NIT POS")]);
    assert_eq!(results(&whole), ["GLU NEG -", "NIT POS -"]);
    assert_eq!((whole.number.as_deref(), doubts(&whole)), (Some("0042"), Vec::new()));
    assert_eq!(doubts(&print(&[(1, 1, "GLU NEG")])), []);
    for (pages, why) in [
        (&[(1, 2, "GLU NEG")][..], "the report has 2 pages, and 1 came"),
        (&[(2, 2, "GLU NEG")], "page 2 of 2 came as page 1"),
        (&[(2, 2, "GLU NEG"), (1, 2, "NIT POS")], "page 2 of 2 came as page 1"),
        (&[(1, 3, "GLU NEG"), (3, 3, "NIT POS")], "page 3 of 3 came as page 2"),
        (&[(1, 2, "GLU NEG"), (1, 2, "NIT POS")], "page 1 of 2 came as page 2"),
        (&[(1, 2, "GLU NEG"), (2, 3, "NIT POS")], "page 2 of 3 came as page 2"),
        (&[(1, 1, "GLU NEG"), (2, 1, "NIT POS")], "the report has 1 pages, and 2 came"),
        (&[(0, 0, "GLU NEG")], "page 0 of 0"),
    ] {
        let spoiled = print(pages);
        let told = doubts(&spoiled).iter().any(|(_, detail)| detail.contains(why));
        assert!(incomplete(&spoiled) && told, "{pages:?}: {:?}", spoiled.doubts);
    }
    let bare = report(dialect.as_ref(), &["No. 0042", "GLU NEG", "END"]);
    assert!(incomplete(&bare), "no line says which page it is");
    // A page of another report among them.
    let other = b"CLINIC\nNo. 0042\nPage 1 of 2\nGLU NEG\n\x0cCLINIC\nNo. 0043\nPage 2 of 2\nNIT NEG\nEND\n";
    assert!(!reports(dialect.as_ref(), other)[0].doubts.is_empty());
}

const EACH: &str = "[report]\neach = [\"No.\"]\nfoot = [\"Operator\"]\nlast_line = [\"END\"]\nmust_end = true\n\
                    silence_ms = 3000\n\
                    [header]\nlines = [\"CLINIC\", \"{date} {time}\", \"No. {number}\", \"ID {specimen?}\", \
                    \"Operator {operator}\", \"END\"]\n";
const PAGE: &str = "CLINIC\n2026-03-14 09:14\n\
                    No. 0042\nID KP-1\nGLU NEG\nNo. 0043\nID KP-2\nGLU 2+\nOperator op7\nEND\n";

#[test]
fn several_reports_on_a_page_share_what_stands_above_and_below_them() {
    let dialect = with(EACH);
    let all = reports(dialect.as_ref(), PAGE.as_bytes());
    let said = |report: &Report| {
        let id = report.specimen.as_ref().map(|id| id.expose().to_owned());
        let taken = report.taken.map(|taken| taken.digits());
        let by = report.operator.as_ref().map(|by| by.expose().to_owned());
        (report.number.clone(), id, taken, by, results(report))
    };
    let one = |number: &str, id: &str, result: &str| {
        let some = |text: &str| Some(text.to_owned());
        (some(number), some(id), some("202603140914"), some("op7"), vec![result.to_owned()])
    };
    let found: Vec<_> = all.iter().map(said).collect();
    assert_eq!(found, [one("0042", "KP-1", "GLU NEG -"), one("0043", "KP-2", "GLU 2+ -")]);
    assert!(all.iter().all(|report| report.doubts.is_empty()), "{all:?}");
    let places: BTreeSet<u64> = all.iter().map(|report| report.place.from).collect();
    assert_eq!(places.len(), all.len(), "each has a place of its own");
    assert!(all[0].place.to <= all[1].place.from, "and none holds another's");
    // Every line stands in a report, and is taken apart once.
    let page = &heard(dialect.as_ref(), PAGE.as_bytes())[0];
    let kept: BTreeSet<Place> = all.iter().flat_map(|r| &r.lines).map(|line| line.place).collect();
    assert_eq!(kept.len(), page.lines.len());
    let apart: Vec<usize> = dialect.anatomy(page).iter().map(|line| line.line).collect();
    assert_eq!(apart, (0..page.lines.len()).collect::<Vec<_>>());
    // Read again from the lines that it was kept with, each is what it was.
    for report in &all {
        let cut = |line: &wickline_normalize::RawLine| Cut {
            place: line.place,
            bytes: line.text.expose().as_bytes().to_vec(),
            flawed: false,
        };
        let lines = report.lines.iter().map(cut).collect();
        let again = Transmission { place: report.place, lines, ending: Ending::Complete };
        assert_eq!(dialect.read(&again), std::slice::from_ref(report));
    }
    let alone = reports(dialect.as_ref(), b"CLINIC\n2026-03-14 09:14\nNo. 0042\nGLU NEG\nEND\n");
    assert_eq!((alone.len(), doubts(&alone[0])), (1, Vec::new()));
}

#[test]
fn a_page_that_is_cut_off_or_shares_too_much_holds_each_report() {
    let dialect = with(EACH);
    let cut = reports(dialect.as_ref(), PAGE.split("Operator").next().expect("its top").as_bytes());
    assert!(cut.len() == 2 && cut.iter().all(incomplete), "{cut:?}");
    // A report that begins and says nothing is told.
    let empty =
        reports(dialect.as_ref(), b"CLINIC\nNo. 0042\nGLU NEG\nNo.\nNo. 0044\nGLU NEG\nEND\n");
    assert_eq!(empty.len(), 3);
    assert!(!empty[1].doubts.is_empty());
    let long = format!("{}{PAGE}", "CLINIC\n".repeat(60));
    let long = reports(dialect.as_ref(), long.as_bytes());
    assert!(long.len() == 1 && incomplete(&long[0]), "{long:?}");
    // The line between two reports was lost: their readings stand twice, or the ids differ.
    let lost = reports(dialect.as_ref(), PAGE.replace("No. 0043\n", "").as_bytes());
    assert!(lost.len() == 1 && !lost[0].doubts.is_empty(), "{lost:?}");
}

#[test]
fn each_line_of_a_file_is_a_report() {
    let dialect = with(
        "[report]\neach_line = true\nsilence_ms = 3000\n[record]\nsplit = \",\"\n\
         fields = [\"{number}\", \"{specimen?}\"]\nheading = [\"No\", \"Id\", \"GLU\"]\n\
         [results]\nsplit = \"blanks\"\ncells = [\"result\"]\norder = [\"GLU\"]\n",
    );
    let all = reports(
        dialect.as_ref(),
        b"No,Id,GLU\n0042,KP-1,NEG\n0043,KP-2,2+\nNo,Id,GLU\n0044,,NEG\n",
    );
    let numbers: Vec<_> =
        all.iter().map(|report| report.number.clone().expect("a number")).collect();
    assert_eq!(numbers, ["0042", "0043", "0044"]);
    assert!(all.iter().all(|report| report.doubts.is_empty()), "{all:?}");
    assert_eq!(results(&all[1]), ["GLU 2+ -"]);
    let odd = reports(dialect.as_ref(), b"0042,KP-1,NEG\nwhat\n0044,,NEG\n");
    assert_eq!(odd.iter().map(|report| report.doubts.len()).collect::<Vec<_>>(), [0, 1, 0]);
}

#[test]
fn what_cannot_be_both_is_refused() {
    for (tables, wanted) in [
        ("[report]\nsilence_ms = 3000\neach = [\"No.\"]\neach_line = true\n", "report.each"),
        ("[report]\nsilence_ms = 3000\nfoot = [\"END\"]\n", "report.foot"),
        (
            "[report]\nsilence_ms = 3000\nend_bytes = [\"FF\"]\npage_bytes = [\"FF\"]\n",
            "report.page_bytes",
        ),
        (
            "[report]\nsilence_ms = 3000\neach = [\"No.\"]\n[header]\nlines = [\"Page {page} of {pages}\"]\n",
            "report",
        ),
        ("[report]\nsilence_ms = 3000\n[header]\nlines = [\"Page {page}\"]\n", "header.lines"),
        (
            "[report]\nsilence_ms = 3000\neach_line = true\n[check]\nkind = \"add\"\nown_line = \"C\"\n",
            "check.own_line",
        ),
    ] {
        let base = "name = \"own\"\n[dates]\norder = \"ymd\"\n";
        let header = if tables.contains("[header]") { "" } else { "[header]\nlines = []\n" };
        let results = "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\n";
        let text = format!("{base}{tables}{header}{results}");
        let faults = dialect::parse(&text, "own.toml").err().expect("refused");
        let keys: Vec<&str> = faults.iter().map(|fault| fault.key.as_str()).collect();
        assert_eq!(keys, [wanted], "{tables}");
    }
    let LinkKind::Printed(rules) = with(PAGES).link() else { panic!("it prints") };
    assert!(rules.pages.has(0x0C) && !rules.ends.has(0x0C));
}

/// The bytes by the mapping files: a degree is B0 in Latin-1 and F8 in code page 437.
#[test]
fn how_lines_begin_is_said_in_any_letter_that_the_encoding_has() {
    let text = |encoding: &str| {
        format!(
            "name = \"bare\"\nencoding = \"{encoding}\"\ndecimal = \"point\"\n[dates]\norder = \"ymd\"\n\
             [report]\nfirst_line = [\"Résultats\"]\neach = [\"N°\"]\nfoot = [\"Opéré\"]\nlast_line = [\"Terminé\"]\n\
             must_end = true\nsilence_ms = 3000\n[header]\n\
             lines = [\"Résultats\", \"N° {{number}}\", \"Opéré {{operator}}\", \"Terminé\"]\n\
             [results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\n"
        )
    };
    let print = "Résultats\nN° 12\nGLU NEG\nN° 13\nGLU 2+\nOpéré JM\nTerminé\n";
    let in_page = |accent: u8, degree: u8| -> Vec<u8> {
        let byte = |letter: char| match letter {
            'é' => accent,
            '°' => degree,
            _ => u8::try_from(letter).expect("one byte"),
        };
        print.chars().map(byte).collect()
    };
    for (encoding, bytes) in [
        ("latin-1", in_page(0xE9, 0xB0)),
        ("cp437", in_page(0x82, 0xF8)),
        ("utf-8", print.as_bytes().to_vec()),
        // A kept print is UTF-8, and is read again.
        ("latin-1", print.as_bytes().to_vec()),
        ("cp437", print.as_bytes().to_vec()),
    ] {
        let dialect = dialect::parse(&text(encoding), "test.toml").expect("a good dialect");
        let all = reports(dialect.as_ref(), &[bytes.as_slice(), &bytes].concat());
        let said: Vec<_> =
            all.iter().map(|r| (r.number.as_deref(), results(r), doubts(r))).collect();
        let one = |number, result: &str| (Some(number), vec![result.to_owned()], Vec::new());
        let page = [one("12", "GLU NEG -"), one("13", "GLU 2+ -")];
        assert_eq!(said, [page.clone(), page].concat(), "{encoding}");
    }
    let other = text("cp437").replace("N°", "N€");
    let faults = dialect::parse(&other, "test.toml").err().expect("no such letter");
    let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
    assert!(told.iter().any(|fault| fault.contains(", and cp437 has no ")), "{told:?}");
}
