//! What an analyzer asks is kept once, and only the last of several questions is answered.

use wickline_listen::dialect::query::{Asked as Heard, Question};
use wickline_normalize::Private;

use super::*;
use crate::acts::line_query::{HeardQuestion, Noted};
use crate::sheet::Sheet;
use crate::store::rows::line_query::{Of, Outcome};

on_both!(
    of_several_questions_only_the_last_is_answered_and_none_twice,
    what_became_of_an_answer_is_noted_once_and_stands_on_the_sheet,
    a_day_without_questions_says_nothing_of_them,
);

/// 2026-03-14 in Lisbon.
const HEARD: i64 = 1_773_480_000_000_000;

/// A bench whose analyzer is answered, as its dialect says.
fn answered() -> Bench {
    let file = scratch("asks").join("asks.toml");
    let dialect = "name = \"asks\"\nrecords = \"lis02\"\n[query]\nanswer = true\n";
    std::fs::write(&file, dialect).expect("a file");
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"{}\"\n\
         controls = \"none\"\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n",
        file.display()
    );
    let loaded = from_text(std::path::Path::new("./w.toml"), text);
    Bench::build(&loaded.expect("a good configuration")).expect("a good configuration")
}

fn asks(place: u64, question: Question) -> HeardQuestion {
    let asked = Heard { question, sender: "BENCH-1".into(), receiver: String::new() };
    HeardQuestion { asked, place, heard_at: HEARD }
}

fn of_one(place: u64) -> HeardQuestion {
    asks(place, Question::Specimens(vec![Private::new("KP-20417")]))
}

impl Lab {
    async fn is_asked(
        &self,
        bench: &Bench,
        heard: &[HeardQuestion],
        in_time: bool,
    ) -> Vec<Option<Outcome>> {
        let tape = &self.tape.id;
        let analyzer = &bench.analyzers[0];
        let noted = self.ledger.analyzer_asked(bench, analyzer, tape, heard, in_time).await;
        let outcome = |one: Noted| {
            assert_eq!(one.answer.is_some(), one.outcome == Outcome::Waiting);
            one.outcome
        };
        noted.expect("kept").into_iter().map(|one| one.map(outcome)).collect()
    }

    async fn questions(&self) -> Vec<String> {
        let sheet = Sheet::read(&self.ledger, &self.bench, "2026-03-14", None).await;
        sheet.expect("a sheet").questions.iter().map(ToString::to_string).collect()
    }
}

async fn of_several_questions_only_the_last_is_answered_and_none_twice(lab: Lab) {
    let bench = answered();
    let three = [of_one(10), asks(20, Question::All), of_one(30)];
    let first = lab.is_asked(&bench, &three, true).await;
    assert_eq!(first, [Some(Outcome::Dropped), Some(Outcome::Dropped), Some(Outcome::Waiting)]);
    // Read again, as after a kill: whoever kept them may have answered.
    assert_eq!(lab.is_asked(&bench, &three, true).await, [None, None, None]);
    assert_eq!(lab.is_asked(&bench, &[of_one(40)], false).await, [Some(Outcome::Late)]);
    let owed = [asks(50, Question::Aborted), asks(60, Question::Broken)];
    let none = Some(Outcome::NoneOwed);
    assert_eq!(lab.is_asked(&bench, &owed, true).await, [none, none]);
    assert_eq!(lab.is_asked(&lab.bench, &[of_one(70)], true).await, [Some(Outcome::Off)]);
}

async fn what_became_of_an_answer_is_noted_once_and_stands_on_the_sheet(lab: Lab) {
    let bench = answered();
    for place in [10, 20, 30] {
        assert_eq!(lab.is_asked(&bench, &[of_one(place)], true).await, [Some(Outcome::Waiting)]);
    }
    let waits = "bench-1 asked 3 times for the orders of 3 specimens: whether the answer was heard is not known";
    assert_eq!(lab.questions().await, [waits]);
    let tape = lab.tape.id.as_str();
    let of = |place| Of { tape, analyzer: "bench-1", place };
    let said = |place, outcome, why| lab.ledger.answered(of(place), outcome, why);
    said(10, Outcome::Delivered, None).await.expect("noted");
    said(20, Outcome::Dropped, Some("no answer to the enquiry")).await.expect("noted");
    // What was noted stays, and what nobody asked is not made up.
    said(10, Outcome::Dropped, Some("too late")).await.expect("nothing to note");
    said(99, Outcome::Delivered, None).await.expect("nothing to note");
    assert_eq!(
        lab.questions().await,
        [
            "bench-1 asked once for the orders of 1 specimen: answered that there is none to be told",
            "bench-1 asked once for the orders of 1 specimen: NOT ANSWERED: no answer to the enquiry",
            "bench-1 asked once for the orders of 1 specimen: whether the answer was heard is not known",
        ]
    );
}

async fn a_day_without_questions_says_nothing_of_them(lab: Lab) {
    assert_eq!(lab.questions().await, Vec::<String>::new());
}
