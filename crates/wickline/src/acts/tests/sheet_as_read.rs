//! The sheet as people read it: missing numbers in ranges, explanations taken back, last numbers given twice,
//! what stands in the way of a receiver, and sums that agree.

use super::day_closed_and_explained::{DAY, bench, refused};
use super::*;
use crate::acts::closing::{Closing, Confirmed, words};
use crate::sheet::Sheet;
use crate::sheet::sums::PARTS;

on_both!(
    an_explanation_is_taken_back,
    a_jump_is_one_line_until_its_strips_come,
    a_jump_is_none_where_a_digit_tells_the_class,
    a_last_number_that_makes_many_missing_is_given_twice,
    a_day_is_closed_by_the_number_that_it_goes_on_with,
    head_and_receivers_count_alike,
    what_stands_in_the_way_of_a_receiver_is_told,
    earlier_days_with_something_open_are_told,
);

/// An explanation that does not hold is taken back, of one number or of several, and stays in the trail.
async fn an_explanation_is_taken_back(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", "")], "");
    for number in ["1", "8"] {
        lab.hear(0, number, &format!("KP-0000{number}")).await;
    }
    lab.accept_all().await;
    lab.explain(&["2-7"], None).await.expect("explained");
    assert!(lab.sheet().await.open().next().is_none());
    let back = lab.unexplain(&["3-4", "6"]).await.expect("taken back");
    assert_eq!(back, ["bench-1/3-4", "bench-1/6"]);
    let wanted =
        ["1 accepted", "2 explained", "3-4 missing", "5 explained", "6 missing", "7 explained"];
    assert_eq!(lab.lines().await[..6], wanted);
    assert_eq!((lab.sheet().await.totals["missing"], lab.sheet().await.outstanding), (3, 3));
    let why = lab.unexplain(&["3"]).await.expect_err("it is missing");
    assert!(why.contains("missing") && why.contains("not explained"), "{why}");
    assert!(lab.unexplain(&["1"]).await.expect_err("it was heard").contains("accepted"));
    let ledger = &lab.ledger;
    let mut conn = ledger.db.read().await.expect("a connection");
    let sql = "SELECT was, became, reason FROM trail WHERE verb = 'unexplain' ORDER BY n LIMIT 1";
    let row = conn.fetch_one(sql).await.expect("a row");
    let text = |column: &str| sqlx::Row::get::<String, _>(&row, column);
    assert_eq!(
        (text("was"), text("became"), text("reason")),
        ("explained: strip jammed".into(), "missing".into(), "found one".into())
    );
    // What came is not missing again, whatever is taken back.
    lab.hear(0, "7", "KP-00007").await;
    assert!(lab.unexplain(&["7"]).await.expect_err("it came").contains("waiting"));
    // In one go what was taken back apart.
    assert_eq!(lab.explain(&["3-4", "6"], None).await.expect("again").len(), 2);
    assert!(lab.lines().await.contains(&"2-6 explained".to_owned()));
}

/// A jump is one line, counted and outstanding; what comes of it is cut out, and one command explains the
/// rest.
async fn a_jump_is_one_line_until_its_strips_come(mut lab: Lab) {
    for number in ["00009", "00010", "20001"] {
        lab.hear(0, number, &format!("KP-{number}")).await;
    }
    lab.accept_all().await;
    let wanted = ["00009 accepted", "00010 accepted", "00011-20000 missing", "20001 accepted"];
    assert_eq!(lab.lines().await, wanted);
    let sheet = lab.sheet().await;
    assert_eq!((sheet.totals["missing"], sheet.outstanding), (19_990, 19_990));
    assert_eq!(sheet.receivers["lis"]["missing"], 19_990, "numbers are counted, and not lines");
    let todo = sheet.lines[2].todo.as_ref().and_then(|t| t.command.clone()).expect("a command");
    let command = format!("wickline day explain 00011-20000 --analyzer bench-1 --date {DAY}");
    assert_eq!(todo, command);
    for number in ["00011", "15000"] {
        lab.hear(0, number, &format!("KP-{number}")).await;
    }
    lab.accept_all().await;
    let lines = lab.lines().await;
    let wanted = ["00011 accepted", "00012-14999 missing", "15000 accepted", "15001-20000 missing"];
    assert_eq!(lines[2..6], wanted);
    let done = lab.explain(&["00012-14999", "15001-20000"], None).await.expect("explained");
    assert_eq!(done.len(), 2);
    assert_eq!(lab.sheet().await.open().count(), 0);
    assert!(matches!(lab.close(&[("bench-1", "20001")]).await, Ok(Closing::Closed { .. })));
}

/// Classes that a digit tells apart count for themselves: what looked like a jump was none.
async fn a_jump_is_none_where_a_digit_tells_the_class(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", "")], "");
    for number in ["00001", "00002", "20001"] {
        lab.hear(0, number, &format!("KP-{number}")).await;
    }
    lab.ledger.jumps_looked_at(&lab.bench).await.expect("looked at");
    assert!(
        lab.lines().await.contains(&"00003-20000 missing".to_owned()),
        "nothing says otherwise"
    );
    let digits = "number_classes = [\"0xxxx=routine\", \"2xxxx=control\"]";
    lab.bench = bench(&[("bench-1", digits)], "");
    lab.ledger.jumps_looked_at(&lab.bench).await.expect("looked at");
    assert!(
        lab.lines().await.contains(&"00003-20000 explained".to_owned()),
        "{:?}",
        lab.lines().await
    );
    // Each goes on for itself, and what was heard of it was heard.
    for (number, specimen) in [("00004", "KP-00004"), ("20002", "QC-L1")] {
        assert!(gaps(&lab.hear(0, number, specimen).await).is_empty(), "{number}");
    }
    assert_eq!(gaps(&lab.hear(0, "00006", "KP-00006").await), ["00005"]);
}

/// A last number that is mistyped would make many others missing: it is to be given twice.
async fn a_last_number_that_makes_many_missing_is_given_twice(mut lab: Lab) {
    lab.hear(0, "1", "KP-00001").await;
    lab.accept_all().await;
    let one = |last: &str| vec![Confirmed { analyzer: "bench-1".into(), last: Some(last.into()) }];
    let actor = Actor::person(None);
    let ask = |last: Vec<Confirmed>, again: Vec<Confirmed>| {
        let (lab, actor) = (&lab, &actor);
        async move { lab.ledger.day_close(&lab.bench, actor, DAY, &last, &again).await }
    };
    let Ok(Closing::Unsure(unsure)) = ask(one("900"), Vec::new()).await else {
        panic!("not asked")
    };
    assert_eq!((unsure[0].last.as_str(), words(&unsure[0].gaps).as_str()), ("900", "2-900"));
    assert_eq!(lab.lines().await, ["1 accepted"], "nothing was changed");
    let differ = refused(&ask(one("900"), one("90")).await);
    assert!(differ.contains("differ"), "{differ}");
    assert!(matches!(ask(one("6"), Vec::new()).await, Ok(Closing::Entered(_))), "five are few");
    assert!(matches!(ask(one("60"), one("60")).await, Ok(Closing::Entered(_))));
    assert_eq!(lab.lines().await, ["1 accepted", "2-60 missing"]);
}

/// Strips that were run under a number used before are not the last that the analyzer gave out.
async fn a_day_is_closed_by_the_number_that_it_goes_on_with(mut lab: Lab) {
    let mut n = 0;
    for number in ["1", "2", "3", "4", "5", "2"] {
        n += 1;
        let mut heard = lab.heard(number, &format!("KP-{n:05}"), "NEG");
        heard.report.taken =
            wickline_normalize::Moment::from_digits(&format!("202603140900{n:02}"));
        let taken = lab.hear_that(0, heard).await;
        if taken.reports[0].state == ReportState::Held {
            let decision = crate::acts::decide::Decision::NewRun;
            let (id, actor) = (taken.reports[0].id, Actor::person(None));
            let done = lab.ledger.report_decide(&lab.bench, &actor, id, decision, "run again");
            done.await.expect("decided");
        }
    }
    lab.accept_all().await;
    assert!(refused(&lab.close(&[("bench-1", "1")]).await).contains("gave out 5"));
    // Its counter stands behind: then it began again with that strip, which is to be given twice.
    let last = Some("3".to_owned());
    let last = [Confirmed { analyzer: "bench-1".into(), last }];
    let asked = lab.ledger.day_close(&lab.bench, &Actor::person(None), DAY, &last, &[]).await;
    assert!(matches!(&asked, Ok(Closing::Unsure(u)) if words(&u[0].gaps) == "1 3"), "{asked:?}");
    let closed = lab.close(&[("bench-1", "5")]).await;
    assert!(matches!(closed, Ok(Closing::Closed { .. })), "{closed:?}");
}

/// The head of the sheet and the receivers' sums count the same lines in the same states.
async fn head_and_receivers_count_alike(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", "")], "controls = true");
    for (number, specimen) in
        [("1", "KP-00001"), ("2", "QC-L1"), ("3", "KP-00003"), ("4", ""), ("5", "KP-00005")]
    {
        lab.hear(0, number, specimen).await;
    }
    let alike = |sheet: &Sheet| {
        for part in PARTS {
            let (head, lis) = (sheet.totals[part.text()], sheet.receivers["lis"][part.text()]);
            assert_eq!(head, lis, "{part}: {:?} and {:?}", sheet.totals, sheet.receivers);
        }
    };
    alike(&lab.sheet().await);
    lab.accept_all().await;
    let sheet = lab.sheet().await;
    alike(&sheet);
    assert!(
        sheet.lines[1].notes.iter().any(|n| n.starts_with("says nothing")),
        "{:?}",
        sheet.lines[1]
    );
    let actor = Actor::person(None);
    let bench = &lab.bench;
    let withdrawn = lab.ledger.report_withdraw(bench, &actor, 1, "wrong tube", None).await;
    withdrawn.expect("withdrawn");
    let renamed =
        lab.ledger.report_withdraw(bench, &actor, 3, "wrong tube", Some(&twice("KP-33333"))).await;
    renamed.expect("renamed");
    let sheet = lab.sheet().await;
    alike(&sheet);
    assert!(sheet.lines[0].noted().contains("withdrawn"), "{:?}", sheet.lines[0]);
    assert!(sheet.lines[2].noted().contains("under another specimen id"), "{:?}", sheet.lines[2]);
    lab.accept_all().await;
    let sheet = lab.sheet().await;
    alike(&sheet);
    assert_eq!(sheet.lines[0].noted(), "withdrawn at lis");
    assert_eq!(
        (sheet.lines[0].item.state.text(), sheet.lines[2].item.state.text()),
        ("set-aside", "accepted")
    );
}

/// A receiver that is paused or away is not said to take anything by itself.
async fn what_stands_in_the_way_of_a_receiver_is_told(mut lab: Lab) {
    lab.hear(0, "1", "KP-00001").await;
    let words = |sheet: &Sheet| {
        let waits = sheet.waits();
        (waits[0].words.clone(), waits[0].command.clone().unwrap_or_default())
    };
    assert!(words(&lab.sheet().await).0.starts_with("nothing but time"));
    let actor = Actor::person(Some("J. Mast".into()));
    lab.ledger.receiver_pause(&actor, "lis", true).await.expect("paused");
    let (said, command) = words(&lab.sheet().await);
    assert!(said.contains("lis was paused by J. Mast at "), "{said}");
    assert_eq!(command, "wickline queue resume lis");
    lab.ledger.receiver_pause(&actor, "lis", false).await.expect("goes on");
    let tried = [Tried::times(lab.waiting().await[0], 3)];
    let noted = lab.ledger.queue_tried("lis", 0, &tried, 9, "receiver-away", "connection refused");
    noted.await.expect("noted");
    let (said, _) = words(&lab.sheet().await);
    assert!(said.contains("lis cannot be reached (connection refused)"), "{said}");
    let todo = lab.sheet().await.lines[0].todo.as_ref().map(ToString::to_string);
    assert!(todo.is_some_and(|t| t.contains("cannot be reached")));
}

/// What earlier days have open is told in a line each.
async fn earlier_days_with_something_open_are_told(mut lab: Lab) {
    for (number, specimen) in [("1", "KP-00001"), ("4", ""), ("5", "KP-00005")] {
        lab.hear(0, number, specimen).await;
    }
    let told = |lab: &Lab| {
        let ledger = lab.ledger.clone();
        async move {
            let days = ledger.open_before("2026-03-15").await.expect("days");
            days.iter().map(ToString::to_string).collect::<Vec<_>>()
        }
    };
    assert_eq!(told(&lab).await, [format!("{DAY}: 1 held, 2 missing, 2 waiting")]);
    lab.accept_all().await;
    lab.explain(&["2-3"], None).await.expect("explained");
    lab.ledger
        .report_set_aside(&lab.bench, &Actor::person(None), 2, "run again")
        .await
        .expect("set aside");
    assert_eq!(told(&lab).await, Vec::<String>::new());
}
