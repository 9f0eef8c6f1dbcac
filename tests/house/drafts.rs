//! What a draft must ask about: words of class, labels of several words, who ran it, months, and numbers with letters.
//! The prints are of kinds that no fixture has; what stands on them was typed here.

use wickline::sketch::Draft;
use wickline_listen::dialect;
use wickline_listen::ear::hear;
use wickline_normalize::Report;

use crate::sketch::{draft, drafted};

fn sketched(print: &str) -> (Draft, Vec<Report>) {
    let bytes = print.replace('\n', "\r\n").into_bytes();
    let draft = draft(std::slice::from_ref(&bytes));
    let dialect = dialect::parse(&draft.dialect, "draft").expect("it loads");
    let heard = hear(dialect.as_ref(), &bytes);
    let reports = heard.iter().flat_map(|one| dialect.read(one)).collect();
    (draft, reports)
}

/// The questions right above the line of a draft that has this text.
fn asked<'d>(draft: &'d str, wanted: &str) -> Vec<&'d str> {
    let lines: Vec<&str> = draft.lines().map(str::trim).collect();
    let at = lines.iter().position(|line| !line.starts_with('#') && line.contains(wanted));
    let at = at.unwrap_or_else(|| panic!("{wanted} stands nowhere in\n{draft}"));
    lines[..at].iter().rev().take_while(|line| line.starts_with("# ?")).copied().collect()
}

/// An Italian desk: labels of two words with the result below, whoever ran it in brackets.
fn referto(number: &str, by: &str, more: &str, glucose: &str, density: &str) -> String {
    format!(
        "AMBULATORIO KESTREL\nReferto {number} ({by})\n14 mar 2026 08:12\n{more}Glucosio:\n   {glucose}\n\
         Peso specifico:\n   {density}\nCorpi chetonici:\n   negativo\nNitriti:\n   negativo\npH:\n   6,0\n\
         Fine referto\n\n"
    )
}

/// A Spanish ticket: leaders, class by an answer, letters before the number.
fn ticket(number: &str, urgent: &str, glucose: &str) -> String {
    format!(
        "Lector Kestrel Norte\nTicket R/{number}    (bg)\n04 ene 2026 a las 07:15\nMuestra: KP-6{number}\n\
         Urgente: {urgent}\nGlucosa ........ {glucose}\nDensidad ....... 1.020\nSangre ......... neg\n\
         Nitritos ....... neg\n"
    )
}

/// A German slip: labels of two words before a colon, a blank line between reports.
fn zettel(number: &str, more: &str, by: &str) -> String {
    format!(
        "Streifenleser Nord\nLauf {number}   14 Sep 2026 07:50\n{more}Probe KP-7{number}  ({by})\n\
         Glukose:        negativ\nSpez. Gewicht:  1,015\nBlut:           Spur\nLeukozyten:     1+ 25 Leu/uL\n\
         Nitrit:         positiv\n\n"
    )
}

/// A slip whose last line says its number once more.
fn ended(number: &str, end: &str) -> String {
    zettel(number, "", "cd").replace("positiv\n\n", &format!("positiv\nEnde {end}\n"))
}

fn three_referti() -> String {
    referto("0051", "cd", "", "negativo", "1,016")
        + &referto("0052", "op. BG", "URGENTE\n", "2+ 300 mg/dL", "1,020")
        + &referto("0053", "cd", "", "1+ 100 mg/dL", "1,024")
}

#[test]
fn labels_of_two_words_are_read_with_the_result_below_and_beside() {
    let print = three_referti();
    let (draft, _) = sketched(&print);
    let read = drafted(&draft, &[print.into_bytes()]);
    let of = |report: usize, pad: &str| {
        read.get(&(report, pad.to_owned())).map(|said| said.each_ref().map(ToString::to_string))
    };
    let said =
        |grade: &str, number: &str, unit: &str| Some([grade, number, unit, ""].map(str::to_owned));
    assert_eq!(of(1, "SG"), said("", "1.016", ""), "{}", draft.dialect);
    assert_eq!(of(1, "KET"), said("negativo", "", ""), "{}", draft.dialect);
    assert_eq!(of(2, "GLU"), said("2+", "300", "mg/dL"), "{}", draft.dialect);
    assert_eq!(of(3, "PH"), said("", "6.0", ""), "{}", draft.dialect);
    assert!(draft.strip.contains("is `Peso specifico` Specific gravity?"), "{}", draft.strip);

    let (draft, _) = sketched(&zettel("0101", "", "cd"));
    assert!(draft.strip.contains("is `Spez. Gewicht` Specific gravity?"), "{}", draft.strip);
}

/// A label that no layout reads whole is told, and its first word is nobody's label.
#[test]
fn a_label_that_a_blank_would_cut_is_told() {
    let print = "Desk reader\nRun 0101\nPatient KP-4\nGlucose        neg\nSpecific gravity  1.015\n\
                 Blood          neg\nProtein        trace\npH             6.5\nNitrite        pos\n";
    let (draft, _) = sketched(print);
    assert!(!draft.strip.contains("Specific"), "{}", draft.strip);
    let told = draft.unplaced.iter().find(|one| one.text.starts_with("Specific gravity"));
    let why = told.map(|one| one.why.as_str()).unwrap_or_default();
    assert!(why.contains("a blank ends it behind `Specific`"), "{:?}", draft.unplaced);
}

/// Words of six languages, alone in a line, in one of words, and as what may change in a line.
#[test]
fn whatever_may_mean_a_class_is_asked_about() {
    let urgent = "URGENT STAT rush Emergency EILT Eilprobe Notfall Dringend Urgence prioritaire Urgencia Prioritario \
                  urgenza URGENTE Emerg\u{ea}ncia urg\u{ea}ncia Eilauftrag sofort";
    let control = "CONTROL QC Kontrolle Kontrollauf Qualit\u{e4}tskontrolle QK T\u{e9}moin Contr\u{f4}le Controllo \
                   controle Kalibration";
    for (class, words) in [("urgent work", urgent), ("control material", control)] {
        for word in words.split_whitespace() {
            for line in
                [format!("{word}\n"), format!("Art des Laufs {word}\n"), format!("Typ: {word}\n")]
            {
                let plain = if line.starts_with("Typ") { "Typ: normal\n" } else { "" };
                let print = zettel("0101", plain, "cd")
                    + &zettel("0102", &line, "cd")
                    + &zettel("0103", plain, "cd");
                let (draft, _) = sketched(&print);
                let text = &draft.dialect;
                let own = format!("does this line mean {class}?");
                let other = format!("`{word}` in such a line mean {class}?");
                let lacks = format!("and the print has `{word}`: does that say so?");
                let is_asked =
                    text.contains(&own) || text.contains(&other) || text.contains(&lacks);
                assert!(is_asked, "{line}{text}");
                assert!(
                    !text.contains(&format!("no line was seen that means {class}")),
                    "{line}{text}"
                );
                // Every guessed form with the word has a question of its own.
                let forms = text.lines().filter(|form| form.contains(word) && form.contains("\","));
                for form in forms {
                    assert!(!asked(text, form.trim()).is_empty(), "{form}: {text}");
                }
            }
        }
    }
}

#[test]
fn a_class_that_is_answered_with_yes_or_no_has_two_forms() {
    let print = ticket("0501", "no", "neg")
        + &ticket("0502", "s\u{ed}", "2+ 300 mg/dL")
        + &ticket("0503", "no", "neg");
    let (draft, reports) = sketched(&print);
    let stat: Vec<bool> = reports.iter().map(|report| report.signs.stat).collect();
    assert_eq!(stat, [false, true, false], "{}", draft.dialect);
    for form in ["\"Urgente: no\",", "\"Urgente: s\u{ed}\","] {
        assert!(!asked(&draft.dialect, form).is_empty(), "{}", draft.dialect);
    }
}

#[test]
fn letters_before_a_number_are_no_name_of_a_strip() {
    let print = ticket("0501", "no", "neg") + &ticket("0502", "no", "neg");
    let (draft, reports) = sketched(&print);
    assert!(draft.dialect.contains("R/{number}"), "{}", draft.dialect);
    assert_eq!(
        reports.iter().map(|r| r.number.as_deref()).collect::<Vec<_>>(),
        [Some("0501"), Some("0502")]
    );
    for print in [
        print.replace("Ticket R", "Tira R"),
        print.replace("Ticket R/0502", "Tira U/0502").replace("Ticket", "Tira"),
        ticket("0501", "no", "neg").replace("Ticket R", "Tira R"),
    ] {
        let (draft, _) = sketched(&print);
        assert!(
            !draft.dialect.contains("{strip}") && !draft.strip.contains("accepts"),
            "{}",
            draft.dialect
        );
        assert!(draft.dialect.contains("{number}"), "{}", draft.dialect);
    }
    // Two letters are two classes, perhaps.
    let (draft, _) = sketched(&print.replace("R/0502", "U/0502"));
    let asked = asked(&draft.dialect, "Ticket {number}");
    assert!(asked.iter().any(|one| one.contains("tell a class, perhaps")), "{asked:?}");
}

#[test]
fn whoever_ran_it_is_found_in_brackets_and_asked_about() {
    let (draft, reports) = sketched(&three_referti());
    let by: Vec<&str> =
        reports.iter().map(|r| r.operator.as_ref().map_or("", |id| id.expose())).collect();
    assert_eq!(by, ["cd", "BG", "cd"], "{}", draft.dialect);
    let numbers: Vec<_> = reports.iter().map(|r| r.number.as_deref()).collect();
    assert_eq!(numbers, [Some("0051"), Some("0052"), Some("0053")], "{}", draft.dialect);
    let questions = asked(&draft.dialect, "Referto {number} ({operator?})");
    assert!(questions.contains(&"# ? do these brackets hold whoever ran it?"), "{questions:?}");
}

#[test]
fn months_are_of_the_language_of_the_print_where_several_fit() {
    let german = zettel("0101", "", "cd") + &zettel("0102", "", "cd");
    let spanish = ticket("0501", "no", "neg").replace("ene", "feb");
    for (print, of, month) in [
        (three_referti(), "Italian", "\"giu\""),
        (german, "German", "\"dez\""),
        (spanish, "Spanish", "\"ago\""),
    ] {
        let (draft, _) = sketched(&print);
        let asked = asked(&draft.dialect, "months = [");
        assert!(asked[0].contains(&format!("the others are {of} words")), "{asked:?}");
        assert!(draft.dialect.contains(month), "{}", draft.dialect);
        assert!(!draft.dialect.contains("the order in ?"), "{}", draft.dialect);
    }
}

#[test]
fn a_blank_line_that_ends_a_report_is_asked_about() {
    let print = zettel("0101", "", "cd") + &zettel("0102", "", "cd") + &zettel("0103", "", "cd");
    let (draft, reports) = sketched(&print);
    let asked = asked(&draft.dialect, "blank_lines = 1");
    assert!(asked.iter().any(|one| one.contains("Between the 3 that were seen")), "{asked:?}");
    assert_eq!(reports.len(), 3);
}

/// The first and the last result have labels that nobody knows: no form reads past them.
#[test]
fn a_result_at_the_edge_is_not_read_past() {
    let print = |n: u32, one: &str, last: &str| {
        format!(
            "Poste B {n:04}\nTube KP-{n}\nQuinzaine: {one}\nSang: neg\npH: 6,5\nNitrites: neg\nVesou: {last}\n"
        )
    };
    let (draft, _) = sketched(&(print(17, "neg", "1+") + &print(18, "2+ 300 mg/dL", "neg")));
    assert!(
        !draft.dialect.contains("Quinzaine") && !draft.dialect.contains("Vesou"),
        "{}",
        draft.dialect
    );
    for label in ["Quinzaine", "Vesou"] {
        assert!(draft.unplaced.iter().any(|one| one.text.contains(label)), "{:?}", draft.unplaced);
        assert!(draft.strip.contains(&format!("which pad is `{label}`")), "{}", draft.strip);
    }
}

/// A time with an h between its parts, and a comma behind a grade.
#[test]
fn a_time_with_an_h_and_a_grade_with_a_comma_are_asked_about() {
    let print = |n: u32, sugar: &str| {
        format!(
            "Poste B {n:04}\nLe 5 mai 2026, 7h4{}\nTube KP-{n}\nSucre: {sugar}\nSang: neg\npH: 6,5\nNitrites: neg\n",
            n % 10
        )
    };
    let (draft, reports) = sketched(&(print(17, "neg") + &print(18, "2+, 300 mg/dL")));
    let taken = |at: usize| reports[at].taken.map(|taken| taken.digits());
    assert_eq!(taken(1).as_deref(), Some("202605050748"), "{}", draft.dialect);
    assert!(!asked(&draft.dialect, "{hour}h{minute}").is_empty(), "{}", draft.dialect);
    assert!(draft.strip.contains("\"2+\" = [\"2+,\"]"), "{}", draft.strip);
}

/// A slip between control characters, with a weekday before its date, and two readings in a line.
#[test]
fn what_changes_every_day_is_no_word_of_a_form() {
    let slip = |n: u32, glucose: &str| {
        format!(
            "LESEPLATZ\nNr {n}   Sa 14.03.2026   9.4{} Uhr\nPat-ID KP-30{n}\nGLU  {glucose:<22}BIL  neg\n\
             KET  neg                   SG   1,015\nERY  Spur                  pH   5,5\ngeprueft: ____\n",
            n % 10
        )
    };
    let (draft, reports) = sketched(&(slip(311, "1+, 5,6 mmol/L") + &slip(312, "neg")));
    assert!(draft.dialect.contains("\"Nr {number} {any} {date} {time} Uhr\""), "{}", draft.dialect);
    let ids: Vec<&str> =
        reports.iter().map(|r| r.specimen.as_ref().map_or("", |id| id.expose())).collect();
    assert_eq!(ids, ["KP-30311", "KP-30312"], "{}", draft.dialect);
    assert!(draft.unplaced.is_empty(), "{:?}", draft.unplaced);
}

/// A list with a report in each line has its labels in one: that none is known would be untrue.
#[test]
fn labels_that_one_line_has_for_all_are_told() {
    let list = "N;Date;Flacon;GLU;PROT;SANG;PH\n0801;14/03/2026 08:01;KP-11;NEG;TR;NEG;6,0\n\
                0802;14/03/2026 08:07;KP-12;2+ 17 mmol/L;1+ 0,3 g/L;NEG;6,5\n";
    let capture = [wickline::sketch::Capture { name: "x.cap", bytes: list.as_bytes() }];
    let why = wickline::sketch::sketch("draft", &capture).expect_err("no layout reads it");
    assert!(why.contains("several labels stand in one line, as in `N;Date;Flacon;"), "{why}");
    assert!(why.contains("heading and fields of [record]"), "{why}");
}

#[test]
fn a_number_that_the_last_line_repeats_is_compared() {
    let three = [("0046", "0046"), ("0047", "0047"), ("0048", "0048")];
    // One report says what its number is only where a word announces it.
    for (of, head) in [(&three[..], "Lauf"), (&three[..1], "Nr.")] {
        let slip = |(n, end): &(&str, &str)| ended(n, end).replace("Lauf", head);
        let print = |of: &[(&str, &str)]| of.iter().map(slip).collect::<String>();
        let (draft, reports) = sketched(&print(of));
        assert!(draft.dialect.contains("\"Ende {number}\""), "{}", draft.dialect);
        let numbers: Vec<_> = reports.iter().map(|report| report.number.as_deref()).collect();
        assert_eq!(numbers, of.iter().map(|(number, _)| Some(*number)).collect::<Vec<_>>());
        assert!(reports.iter().all(|report| report.doubts.is_empty()), "{reports:?}");
        let dialect = dialect::parse(&draft.dialect, "draft").expect("it loads");
        let other = print(&[("0046", "0047")]).replace('\n', "\r\n");
        let heard = hear(dialect.as_ref(), other.as_bytes());
        let spliced: Vec<Report> = heard.iter().flat_map(|one| dialect.read(one)).collect();
        assert!(spliced.len() == 1 && !spliced[0].doubts.is_empty(), "{spliced:?}");
    }
    // Those of control material may be of a series of their own, and that is asked about.
    let four = [&three[..], &[("K001", "K001"), ("K002", "K002")]].concat();
    let (draft, reports) = sketched(&four.iter().map(|(n, end)| ended(n, end)).collect::<String>());
    assert!(draft.dialect.contains("\"Ende {number}\""), "{}", draft.dialect);
    assert!(
        asked(&draft.dialect, "\"Lauf {number}")[0].contains("tell a class"),
        "{}",
        draft.dialect
    );
    assert_eq!(reports[4].number.as_deref(), Some("K002"));
    // What only happens to be a short number of some report is not told from it by one report.
    let (draft, _) = sketched(&ended("7", "7").replace("Lauf", "Nr."));
    assert!(!draft.dialect.contains("\"Ende {number}\""), "{}", draft.dialect);
}
