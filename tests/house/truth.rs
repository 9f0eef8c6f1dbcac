//! `prove truth`: what a person read on the paper is held against what is read and sent.

use std::path::PathBuf;

use serde_json::Value;
use wickline::prove::truth::digest;

use crate::hints::answering;
use crate::kit::{Folder, run};
use crate::prove::{UNREAD, config, root, text};
use crate::way::runtime;

const OWN: &str = "id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n";

/// A capture of the two-column dialect with its truth, which is not yet beside it, and a strip of one's own.
struct Paper {
    folder: Folder,
    config: PathBuf,
    capture: String,
    truth: PathBuf,
    typed: String,
    /// What the shipped capture is named by, as `sha256sum` says it.
    digest: String,
}

impl Paper {
    fn new() -> Paper {
        let folder = Folder::new("prove-truth");
        let of = |name: &str| root("fixtures/listen/two-column").join(name);
        let capture = folder.0.join("paper.cap");
        std::fs::copy(of("complete.cap"), &capture).expect("a capture");
        folder.write("own.toml", OWN);
        let text = config("two-column", "own.toml", "conventional", "dir:out", "");
        let typed = std::fs::read_to_string(of("complete.truth.csv")).expect("a truth");
        let named = typed.lines().find_map(|line| line.strip_prefix(",capture,,,,"));
        Paper {
            digest: named.expect("a capture").replace(',', ""),
            config: folder.write("w.toml", &text),
            capture: capture.to_string_lossy().into_owned(),
            truth: folder.0.join("paper.truth.csv"),
            typed,
            folder,
        }
    }

    /// The exit of a proof with this truth beside the capture, the proof, and what it said.
    fn proved(&self, typed: &str) -> (Option<i32>, Value, String) {
        // Typed of the capture as it is now, unless it says of another one.
        let digest = digest(&std::fs::read(&self.capture).expect("a capture"));
        std::fs::write(&self.truth, typed.replace(&self.digest, &digest)).expect("ours");
        self.prove()
    }

    fn prove(&self) -> (Option<i32>, Value, String) {
        let mut options = vec!["--json", "prove", "--capture", &self.capture];
        options.extend(&UNREAD[2..6]);
        let done = run(&self.config, &options);
        let proof: Value = serde_json::from_slice(&done.stdout).unwrap_or_default();
        (done.status.code(), proof, String::from_utf8_lossy(&done.stderr).into_owned())
    }
}

/// Label or fact, what was typed, what was read, of all that differs.
fn differing(proof: &Value) -> Vec<(&str, &str, &str)> {
    let typed = proof["typed"].as_array().expect("what was typed");
    let differ = typed.iter().filter(|one| one["differs"] == true);
    differ.map(|one| (text(&one["label"]), text(&one["typed"]), text(&one["read"]))).collect()
}

#[test]
fn a_truth_typed_from_the_paper_is_held_against_what_is_read_and_sent() {
    let paper = Paper::new();
    let (code, proof, _) = paper.prove();
    let list = proof["not_proved"].as_array().expect("a list");
    let open: Vec<&str> =
        list.iter().filter(|g| g["accepted"].is_null()).map(|g| text(&g["id"])).collect();
    assert_eq!((code, open), (Some(1), vec!["truth-routine", "ends"]), "nobody has read it");

    let (code, proof, told) = paper.proved(&paper.typed);
    assert_eq!((code, differing(&proof)), (Some(0), Vec::new()), "{told} {proof}");
    assert_eq!(proof["typed"].as_array().map(Vec::len), Some(6 + 10 + 3), "each thing once");

    // What was mistyped, or belongs to another paper, is told with both texts.
    let wrong = paper.typed.replace("KET,KET,TR,8", "KET,KET,TR,3").replace(",0042,", ",0043,");
    let (code, proof, _) = paper.proved(&wrong);
    let found = differing(&proof);
    assert_eq!(code, Some(1));
    assert!(found.contains(&("number", "0043", "0042")), "{found:?}");
    assert!(found.contains(&("KET", "TR 3 mg/dL", "KET: TR 8 mg/dL")), "{found:?}");
    let other = paper.typed.replace(&paper.digest, "0011223344556677");
    let (code, _, told) = paper.proved(&other);
    assert!(code == Some(2) && told.contains("typed from another capture"), "{told}");
    // The receiver's own list of codes: a code that is another's there.
    let coded = paper.typed.replace("NIT,NIT,NEG,,,,", "NIT,NIT,NEG,,,,NOT-THIS");
    let (code, proof, _) = paper.proved(&coded);
    let found = differing(&proof);
    assert_eq!(code, Some(1));
    assert!(
        found.iter().any(|(what, typed, _)| (*what, *typed) == ("NIT", "NOT-THIS")),
        "{found:?}"
    );
}

/// Labels that no shipped strip knows, swapped in the one file that says what they mean: only the paper knows.
#[test]
fn labels_that_are_swapped_in_the_strip_differ_from_the_paper() {
    let paper = Paper::new();
    let print = std::fs::read_to_string(&paper.capture).expect("a capture");
    let print = print.replace("GLU  ", "XA   ").replace("PRO  ", "XB   ");
    std::fs::write(&paper.capture, print).expect("the folder is ours");
    let typed = paper.typed.replace("GLU,GLU", "XA,GLU").replace("PRO,PRO", "XB,PRO");
    let named = |glucose: &str, protein: &str| {
        let pad = |id: &str, name: &str| format!("[[pad]]\nid = \"{id}\"\nnames = [\"{name}\"]\n");
        format!("{OWN}{}{}", pad("GLU", glucose), pad("PRO", protein))
    };
    paper.folder.write("own.toml", &named("XA", "XB"));
    let (code, proof, told) = paper.proved(&typed);
    assert_eq!((code, differing(&proof)), (Some(0), Vec::new()), "{told} {proof}");

    paper.folder.write("own.toml", &named("XB", "XA"));
    let (code, proof, _) = paper.proved(&typed);
    let found = differing(&proof);
    assert_eq!(code, Some(1));
    for told in [("XA", "is GLU", "is PRO"), ("XB", "is PRO", "is GLU")] {
        assert!(found.contains(&told), "{found:?}");
    }
}

/// A form for a spreadsheet; what is there is never written over; without a terminal nobody is asked.
#[test]
fn a_form_is_written_once_and_without_a_terminal_nobody_is_asked() {
    let Paper { config, capture, truth, folder: _folder, .. } = &Paper::new();
    let form = run(config, &["prove", "truth", capture, "--form", "2"]);
    assert_eq!(form.status.code(), Some(0), "{}", String::from_utf8_lossy(&form.stderr));
    let written = std::fs::read_to_string(truth).expect("a form");
    assert!(written.contains("\"2\",\"reading\",\"\",\"GLU\""), "{written}");
    assert!(!written.contains("0042"), "{written}");
    let again = run(config, &["prove", "truth", capture, "--form", "1"]);
    assert_eq!(again.status.code(), Some(2));
    assert_eq!(std::fs::read_to_string(truth).expect("as it was"), written);
    std::fs::remove_file(truth).expect("it is there");
    let nobody = run(config, &["prove", "truth", capture]);
    let told = String::from_utf8_lossy(&nobody.stderr).into_owned();
    assert_eq!(nobody.status.code(), Some(2));
    assert!(told.contains("a person must read the paper"), "{told}");
}

/// Who types with a spreadsheet alone reads there how a time and a pad that was not read are written.
#[test]
fn the_help_says_how_what_is_special_is_typed() {
    let paper = Paper::new();
    let help = run(&paper.config, &["prove", "truth", "--help"]);
    let help =
        String::from_utf8_lossy(&help.stdout).split_whitespace().collect::<Vec<_>>().join(" ");
    let readme = std::fs::read_to_string(root("README.md")).expect("the guide");
    let readme = readme.split_whitespace().collect::<Vec<_>>().join(" ");
    for said in ["2026-03-14 09:14", "A pad that was not read, or is switched off,", "under"] {
        assert!(help.contains(said), "{said}: {help}");
        assert!(readme.contains(said), "{said}");
    }
}

/// What is there is not written over even where it cannot be seen: a link whose file is gone leads elsewhere.
#[test]
fn a_truth_is_written_through_no_link() {
    let Paper { config, capture, truth, folder, .. } = &Paper::new();
    let elsewhere = folder.0.join("elsewhere");
    std::os::unix::fs::symlink(&elsewhere, truth).expect("the folder is ours");
    let form = run(config, &["prove", "truth", capture, "--form", "2"]);
    let told = String::from_utf8_lossy(&form.stderr).into_owned();
    assert_eq!(form.status.code(), Some(2), "{told}");
    assert!(told.contains("is there already") && !elsewhere.exists(), "{told}");
}

/// A report of a strip that the analyzer does not have would be compared with nothing.
#[test]
fn a_truth_of_a_strip_that_the_analyzer_lacks_is_refused() {
    let paper = Paper::new();
    let typed = paper.typed.replace("1,class,", "1,strip,,,,tenpad,,,\n1,class,");
    assert_ne!(typed, paper.typed);
    let (code, _, told) = paper.proved(&typed);
    assert_eq!(code, Some(2), "{told}");
    for said in ["paper.truth.csv", "report 1", "`tenpad`", "own"] {
        assert!(told.contains(said), "{said}: {told}");
    }
    let (code, proof, told) = paper.proved(&typed.replace("tenpad", "own"));
    assert_eq!((code, differing(&proof)), (Some(0), Vec::new()), "{told}");
}

/// Typed at a terminal; nothing of the capture is shown, or the person would only agree with the program.
#[test]
fn a_truth_is_typed_at_a_terminal_without_a_word_of_the_capture() {
    let paper = Paper::new();
    let line = format!("wickline prove truth {}", paper.capture);
    let mut answers = vec!["A. Vidal", "0042", "KP-31742", "urgent", "routine", "", "", ""];
    answers.extend(["14.3.2026", "2026-03-14 09:14:55", "op7", "", "sent"]);
    answers.extend(["GLU", "sugar", "glu", "2+", "about 400", "400", "mg/dL", "*", "", "n"]);
    let (code, told) =
        runtime().block_on(async { answering(&paper.config, &line, &answers).await });
    assert_eq!(code, 0, "{told}");
    let asked = [
        "class: routine, stat (urgent) or control",
        "held: and the reasons, as held: pad-unread",
        "without a sign behind it that [number] suffixes lists",
        "write the sign",
    ];
    let told_of = [
        "class is routine",
        "end is empty: write sent",
        "taken is 2026-03-14",
        "no pad is called so",
        "written: ",
    ];
    for said in asked.into_iter().chain(told_of) {
        assert!(told.contains(said), "{said}: {told}");
    }
    assert!(!told.contains("0042") && !told.contains("KP-31742"), "{told}");
    let (code, proof, _) = paper.prove();
    // One reading of ten: what was typed is as read, and that nine were left out is told.
    let found = differing(&proof);
    assert!(code == Some(1) && found.contains(&("readings", "1", "10")), "{found:?}");
    assert!(!found.iter().any(|(what, ..)| ["GLU", "number", "taken"].contains(what)), "{found:?}");
}

/// A truth that says why a report is held cannot hide a mistake behind another hold; `held` alone is no answer.
#[test]
fn a_held_report_is_typed_with_its_reasons() {
    let paper = Paper::new();
    let print = std::fs::read_to_string(&paper.capture).expect("a capture");
    let print = print.replace("NIT   NEG", "NIT   ----");
    std::fs::write(&paper.capture, &print).expect("the folder is ours");
    let unread = paper.typed.replace("NIT,NIT,NEG", "NIT,NIT,----");
    let held = |why: &str| unread.replace("1,end,,,,sent,", &format!("1,end,,,,{why},"));
    let ends = |proof: &Value| -> Vec<(String, String)> {
        let found = differing(proof).into_iter().filter(|(what, ..)| *what == "end");
        found.map(|(_, typed, read)| (typed.to_owned(), read.to_owned())).collect()
    };
    let right = held("held: pad-unread");
    let (_, proof, told) = paper.proved(&right);
    assert_eq!(differing(&proof), Vec::new(), "{told}");
    // Somebody who means something else, or nothing, is told what to write if it is right by the paper.
    let (code, proof, _) = paper.proved(&held("held"));
    let [(typed, read)] = &ends(&proof)[..] else { panic!("{proof}") };
    assert_eq!((code, typed.as_str()), (Some(1), "held"));
    assert!(read.contains("if that is right by the paper, write `held: pad-unread`"), "{read}");
    for why in ["held: pads-missing", "held: off-ladder, pad-unread"] {
        let quoted = held(why).replace(why, &format!("\"{why}\""));
        let (code, proof, told) = paper.proved(&quoted);
        assert_eq!((code, ends(&proof).len()), (Some(1), 1), "{told} {proof}");
    }
    // A second reason stands behind the first, and is told.
    std::fs::write(&paper.capture, print.replace("400 mg/dL", "300 mg/dL")).expect("ours");
    let (code, proof, _) = paper.proved(&right.replace("GLU,2+,400", "GLU,2+,300"));
    let told = "held: grade-value-disagree, pad-unread";
    let others: Vec<String> = ends(&proof).into_iter().map(|(_, read)| read).collect();
    assert!(code == Some(1) && others.len() == 1, "{others:?}");
    assert!(others[0].contains("pad-unread") && others[0].contains(", "), "{told}: {others:?}");
    let (code, _, told) = paper.proved(&held("held: pad-unred"));
    assert!(code == Some(2) && told.contains("`pad-unred` is no reason"), "{told}");
    assert!(told.contains("pad-unread"), "{told}");
}

/// What dialect, strip or configuration make of a print stays open whoever types the same; what is true of the strip
/// does not.
#[test]
fn a_hold_that_is_ours_stays_open_though_the_truth_says_so() {
    let paper = Paper::new();
    let print = std::fs::read_to_string(&paper.capture).expect("a capture");
    let open = |was: [&str; 2], now: [&str; 2], why: &str| {
        std::fs::write(&paper.capture, print.replace(was[0], now[0])).expect("the folder is ours");
        let typed = paper.typed.replace(was[1], now[1]);
        let (_, proof, told) =
            paper.proved(&typed.replace("1,end,,,,sent,", &format!("1,end,,,,held: {why},")));
        assert_eq!(differing(&proof), Vec::new(), "{told}");
        let gaps = proof["not_proved"].as_array().expect("a list").iter();
        let own = gaps.filter(|gap| text(&gap["id"]).starts_with("capture"));
        own.map(|gap| format!("{}: {}", text(&gap["id"]), text(&gap["text"]))).collect::<Vec<_>>()
    };
    let found =
        open(["PH           6.0", "PH,PH,,6.0"], ["PH           6.3", "PH,PH,,6.3"], "off-ladder");
    let [gap] = &found[..] else { panic!("{found:?}") };
    assert!(
        gap.starts_with("capture-1: ") && gap.contains("off-ladder is mended in dialect"),
        "{gap}"
    );
    let found = open(["NIT   NEG", "NIT,NIT,NEG"], ["NIT   ----", "NIT,NIT,----"], "pad-unread");
    assert_eq!(found, Vec::<String>::new());
}

/// A truth names the strip by its id, or as the paper does.
#[test]
fn a_truth_names_the_strip_as_the_print_does() {
    let paper = Paper::new();
    paper.folder.write("own.toml", &format!("accepts = [\"U10\"]\n{OWN}"));
    let print = std::fs::read_to_string(&paper.capture).expect("a capture");
    let named = |name: &str| print.replace("Operator op7", &format!("Operator op7\nStrip {name}"));
    std::fs::write(&paper.capture, named("U10")).expect("the folder is ours");
    let typed = paper.typed.replace("1,class,", "1,strip,,,,U10,,,\n1,class,");
    let (code, proof, told) = paper.proved(&typed);
    assert_eq!((code, differing(&proof)), (Some(0), Vec::new()), "{told}");
    // Another one is held, and no truth of this strip makes it right.
    std::fs::write(&paper.capture, named("U11")).expect("the folder is ours");
    let (code, proof, told) = paper.proved(&typed);
    assert_eq!(code, Some(1), "{told}");
    assert!(differing(&proof).contains(&("end", "sent", "held: unreadable")), "{proof}");
}

/// A spreadsheet may save in the encoding of its system, in which `µ` is the byte B5 (ISO 8859-1).
#[test]
fn a_truth_in_another_encoding_is_refused_with_its_place_and_what_to_do() {
    let paper = Paper::new();
    let typed = paper.typed.lines().enumerate().map(|(n, line)| match n {
        4 => format!("{line}\u{b5}\n").chars().map(|c| u8::try_from(c).expect("Latin-1")).collect(),
        _ => format!("{line}\n").into_bytes(),
    });
    std::fs::write(&paper.truth, typed.collect::<Vec<_>>().concat()).expect("ours");
    let (code, _, told) = paper.prove();
    assert_eq!(code, Some(2), "{told}");
    let column = paper.typed.lines().nth(4).expect("a line").chars().count() + 1;
    for said in [
        format!("paper.truth.csv: line 5: the byte B5 in column {column}"),
        "save the file as UTF-8".into(),
    ] {
        assert!(told.contains(&said), "{said}: {told}");
    }
}

/// The words for an end of a ladder are the dialect's to translate, and the truth says what they mean.
#[test]
fn a_value_is_typed_with_a_sign_and_not_with_a_word() {
    let paper = Paper::new();
    let shipped = std::fs::read_to_string(root("config/dialects/two-column.toml"));
    let words = "cells = [\"label\", \"result\"]\ncomparators = { \"up to\" = \">=\" }";
    let dialect = shipped.expect("a dialect").replace("cells = [\"label\", \"result\"]", words);
    paper.folder.write("own-dialect.toml", &dialect);
    let config = std::fs::read_to_string(&paper.config).expect("a configuration");
    let config = config.replace("dialect = \"two-column\"", "dialect = \"own-dialect.toml\"");
    std::fs::write(&paper.config, config).expect("the folder is ours");
    let print = std::fs::read_to_string(&paper.capture).expect("a capture");
    std::fs::write(&paper.capture, print.replace(">=1.028", "up to 1.028")).expect("ours");
    let (code, _, told) = paper.proved(&paper.typed.replace(">=1.028", "up to 1.028"));
    assert_eq!(code, Some(2), "{told}");
    for said in ["paper.truth.csv: line 13: value `up to 1.028`", "the sign", "`>1.028`"] {
        assert!(told.contains(said), "{said}: {told}");
    }
    let (code, proof, _) = paper.proved(&paper.typed.replace(">=1.028", "<=1.028"));
    let found = differing(&proof);
    assert_eq!(code, Some(1));
    assert!(found.contains(&("SG", "<=1.028", "SG: >=1.028")), "{found:?}");
}

/// A form has its own order of pads; what is typed is held against what bears the same label.
#[test]
fn readings_are_compared_by_their_labels_in_whatever_order() {
    let paper = Paper::new();
    let (head, readings): (Vec<&str>, Vec<&str>) =
        paper.typed.lines().partition(|line| !line.contains(",reading,"));
    let turned: Vec<&str> = head.into_iter().chain(readings.into_iter().rev()).collect();
    let turned = turned.join("\n") + "\n";
    assert_ne!(turned, paper.typed);
    let (code, proof, told) = paper.proved(&turned);
    assert_eq!((code, differing(&proof)), (Some(0), Vec::new()), "{told}");
    // A label that was mistyped is one difference, at the place that is left.
    let (_, proof, _) = paper.proved(&turned.replace("KET,KET", "KTE,KET"));
    let found = differing(&proof);
    assert!(found.contains(&("KTE", "TR 8 mg/dL", "KET: TR 8 mg/dL")), "{found:?}");
    assert!(found.iter().all(|(label, ..)| *label == "KTE" || *label == "message"), "{found:?}");
}

/// Somebody has typed one, and it still does not count: the gap says so, and not that nobody did.
#[test]
fn a_gap_says_why_what_was_typed_does_not_count() {
    let paper = Paper::new();
    let gap = |proof: &Value| {
        let list = proof["not_proved"].as_array().expect("a list").iter();
        let own: Vec<&str> =
            list.filter(|g| g["id"] == "truth-routine").map(|g| text(&g["text"])).collect();
        own.join("\n")
    };
    let (_, proof, _) = paper.proved(&paper.typed.replace(",0042,", ",0043,"));
    let told = gap(&proof);
    assert!(told.contains("differs from what is read or sent"), "{told}");
    assert!(!told.contains("nobody has read"), "{told}");
    let print = std::fs::read_to_string(&paper.capture).expect("a capture");
    std::fs::write(&paper.capture, print.replace("NIT   NEG", "NIT   ----")).expect("ours");
    let typed = paper.typed.replace("NIT,NIT,NEG", "NIT,NIT,----");
    let held = typed.replace("1,end,,,,sent,", "1,end,,,,held: pad-unread,");
    let (code, proof, _) = paper.proved(&held);
    let told = gap(&proof);
    assert_eq!((code, differing(&proof)), (Some(1), Vec::new()));
    assert!(told.contains("does not count: it is held, and shows nothing that is sent"), "{told}");
    assert!(!told.contains("nobody has read"), "{told}");
}

/// What is typed wrongly at a terminal is taken back, as far as one likes; nothing of it is in the file.
#[test]
fn an_answer_at_a_terminal_is_taken_back() {
    let paper = Paper::new();
    let line = format!("wickline prove truth {}", paper.capture);
    let mut answers = vec!["/back", "A. Vidal", "0043", "/back", "0042", "KP-31742", "stat"];
    answers.extend(["/back", "routine", "", "", "", "2026-03-14 09:14:55", "op7", "sent"]);
    answers.extend(["GLU", "glu", "3+", "1200", "/back", "/back", "2+", "400", "mg/dL", "*"]);
    answers.extend(["BIL", "/back", "KET", "ket", "TR", "8", "mg/dL", "", ""]);
    // Out of the end of a report, and into it again.
    answers.extend(["/back", "", "y", "/back", "n"]);
    let (code, told) =
        runtime().block_on(async { answering(&paper.config, &line, &answers).await });
    assert_eq!(code, 0, "{told}");
    for said in ["this is the first question", "taken back: 0043", "taken back: stat"] {
        assert!(told.contains(said), "{said}: {told}");
    }
    let written = std::fs::read_to_string(&paper.truth).expect("a truth").replace('"', "");
    let rows: Vec<&str> = written.lines().skip(1).filter(|row| !row.contains(",,,,,")).collect();
    let wanted = [
        &format!(",capture,,,,{},,,", paper.digest),
        ",read-by,,,,A. Vidal,,,",
        "1,number,,,,0042,,,",
        "1,specimen,,,,KP-31742,,,",
        "1,class,,,,routine,,,",
        "1,taken,,,,2026-03-14 09:14:55,,,",
        "1,operator,,,,op7,,,",
        "1,end,,,,sent,,,",
        "1,reading,GLU,GLU,2+,400,mg/dL,*,",
        "1,reading,KET,KET,TR,8,mg/dL,,",
    ];
    assert_eq!(rows, wanted, "{written}");
}

/// What a truth leaves open is not filled in by the program: it says where, and what is allowed there.
#[test]
fn a_truth_that_leaves_open_what_would_be_guessed_is_refused() {
    let paper = Paper::new();
    let row = format!(",capture,,,,{},,,\n", paper.digest);
    for (from, to, told_of) in [
        (row.as_str(), "", "paper.truth.csv: capture has no row: write the first 16 digits"),
        (&paper.digest, "", "paper.truth.csv: line 2: capture is empty"),
        ("1,class,,,,routine", "1,class,,,,", "line 6: class is empty: write routine, stat"),
        ("1,end,,,,sent,,,\n", "", "report 1: end has no row: write sent, filed (control"),
    ] {
        let typed = paper.typed.replace(from, to);
        assert_ne!(typed, paper.typed, "{from}");
        let (code, _, told) = paper.proved(&typed);
        assert!(code == Some(2) && told.contains(told_of), "{told_of}: {told}");
        // Whoever has the right paper in hand is told what names its capture.
        assert!(!told_of.contains("capture ") || told.contains(&paper.digest), "{told}");
    }
}

/// The last line, the exit code and JSON say the same of what a person typed.
#[test]
fn the_last_line_of_a_proof_counts_what_was_typed() {
    let paper = Paper::new();
    let last = |typed: &str| {
        let (code, proof, _) = paper.proved(typed);
        let words = [&["prove", "--capture", &paper.capture][..], &UNREAD[2..6]].concat();
        let done = run(&paper.config, &words);
        assert_eq!(done.status.code(), code);
        let text = String::from_utf8_lossy(&done.stdout).into_owned();
        (code, text.lines().last().unwrap_or_default().to_owned(), proof["sum"].clone())
    };
    let (code, line, sum) = last(&paper.typed);
    assert_eq!((code, &sum["whole"]), (Some(0), &true.into()), "{line}");
    assert!(
        line.contains("; of 19 things typed from the paper 0 differ; a whole proof;"),
        "{line}"
    );
    let (code, line, sum) = last(&paper.typed.replace(",op7,", ",op8,"));
    assert_eq!((code, &sum["typed_differ"]), (Some(1), &1.into()), "{line}");
    assert!(line.contains(" 0 differ, ") && line.contains("from the paper 1 differ; "), "{line}");
    assert!(line.contains("; NO whole proof;") && sum["whole"] == false, "{line}");
}

/// A code is typed for each result that is sent of a reading, and for none that is not: what is passed over would look
/// as if somebody had compared it.
#[test]
fn the_codes_that_were_typed_are_those_that_are_sent() {
    let paper = Paper::new();
    let coded = |codes: &str| paper.typed.replace("400,mg/dL,*,", &format!("400,mg/dL,*,{codes}"));
    let whole = ["50555-2; 53328-1 mg/dL", "53328-1; 50555-2", "GLU-GRADE; GLU-MASS mg/dL"];
    for codes in whole {
        let (code, proof, told) = paper.proved(&coded(codes));
        assert_eq!((code, differing(&proof)), (Some(0), Vec::new()), "{codes}: {told}");
        assert_eq!(proof["sum"]["typed_in_all"], 20, "it is counted");
    }
    let sent = "50555-2 or GLU-GRADE; 53328-1 mg/dL or GLU-MASS mg/dL";
    for codes in ["50555-2", "53328-1 mg/dL", "50555-2; 53328-1 mmol/L", "50555-2; 53328-1; 5792-7"]
    {
        let (code, proof, _) = paper.proved(&coded(codes));
        assert_eq!((code, differing(&proof)), (Some(1), vec![("GLU", codes, sent)]));
    }
    // Nothing goes out of a report that is held, nor of one of control material.
    let print = std::fs::read_to_string(&paper.capture).expect("a capture");
    std::fs::write(&paper.capture, print.replace("NIT   NEG", "NIT   ----")).expect("ours");
    let held =
        coded("50555-2; 53328-1 mg/dL").replace("1,end,,,,sent,", "1,end,,,,held: pad-unread,");
    let held = held.replace("NIT,NIT,NEG,,,,", "NIT,NIT,----,,,,NO");
    let (_, proof, told) = paper.proved(&held);
    let none = "nothing is sent: held: pad-unread";
    let codes = [("GLU", "50555-2; 53328-1 mg/dL", none), ("NIT", "NO", none)];
    assert_eq!(differing(&proof), codes, "{told}");
    let control = print.replace("ID KP-31742", "CONTROL LEVEL 1\r\nID QC-L1");
    std::fs::write(&paper.capture, control).expect("ours");
    let filed = coded("50555-2; 53328-1 mg/dL").replace("KP-31742", "QC-L1");
    let filed = filed.replace("class,,,,routine", "class,,,,control");
    let filed = filed.replace("1,end,,,,sent,,,", "1,level,,,,1,,,\n1,end,,,,filed,,,");
    let (_, proof, told) = paper.proved(&filed);
    let none = "nothing is sent as a patient's: filed, as control material";
    assert_eq!(differing(&proof), [("GLU", "50555-2; 53328-1 mg/dL", none)], "{told}");
}
