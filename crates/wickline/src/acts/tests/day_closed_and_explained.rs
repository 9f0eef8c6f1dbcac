//! The day in the ledger: its order, its explanations, its closing, and sums over random histories.

use super::*;
use crate::acts::closing::{Closing, Confirmed, words};
use crate::acts::explaining::Explanation;
use crate::sheet::Sheet;
use crate::sheet::leaf::Leaf;
use crate::sheet::sums::PARTS;

pub(super) const DAY: &str = "2026-03-14";

on_both!(
    explaining_and_taking_that_back_need_a_reason,
    every_line_stands_where_its_number_belongs,
    generations_and_rounds_keep_their_order,
    a_missing_number_is_explained_and_nothing_else,
    a_day_is_closed_only_when_all_is_confirmed_and_done,
    a_confirmed_number_that_nobody_heard_is_missing,
    what_comes_after_the_closing_is_told,
    a_confirmation_answers_what_nobody_listened_to,
    the_last_of_a_day_is_of_that_day,
    the_last_number_may_have_come_late,
    another_bench_must_be_confirmed_too,
    sums_add_up_over_any_history,
    a_broken_row_is_told,
);

async fn explaining_and_taking_that_back_need_a_reason(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "NEG"), lab.heard("3", "KP-00003", "NEG")];
    lab.take(&heard, 1).await;
    let what = |reason: &str| Explanation {
        day: DAY.into(),
        analyzer: None,
        numbers: vec!["2".into()],
        reason: reason.into(),
    };
    let (ledger, actor, clock) = (&lab.ledger, Actor::person(None), lab.clock());
    let blank = ledger.day_explain(&actor, &clock, &what(" ")).await;
    assert!(blank.expect_err("no").to_string().contains("a reason is needed"));
    ledger.day_explain(&actor, &clock, &what("strip jammed")).await.expect("explained");
    let blank = ledger.day_unexplain(&actor, &clock, &what("")).await;
    assert!(blank.expect_err("no").to_string().contains("a reason is needed"));
}

/// A bench with other analyzers than the usual one.
pub(super) fn bench(analyzers: &[(&str, &str)], more: &str) -> Bench {
    let mut text = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n"
        .to_owned();
    for (nth, (id, keys)) in analyzers.iter().enumerate() {
        text += &format!(
            "[[analyzer]]\nid = \"{id}\"\nline = \"tcp:127.0.0.1:{}\"\ndialect = \"lis02\"\n\
             control_specimens = [\"QC-L1=1\"]\n{keys}\n",
            nth + 1
        );
    }
    text += &format!("[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n{more}\n");
    let loaded = from_text(std::path::Path::new("./w.toml"), text);
    Bench::build(&loaded.expect("a good configuration")).expect("a good configuration")
}

impl Lab {
    pub(super) async fn hear(&mut self, analyzer: usize, number: &str, specimen: &str) -> Taken {
        let heard = self.heard(number, specimen, "NEG");
        self.hear_that(analyzer, heard).await
    }

    pub(super) async fn hear_that(&mut self, analyzer: usize, heard: HeardReport) -> Taken {
        let analyzer = self.bench.analyzers[analyzer].clone();
        let taken =
            self.ledger.intake(&self.bench, &analyzer, &self.tape.id, &[heard], Span::to(1)).await;
        taken.expect("taken in")
    }

    pub(super) async fn sheet(&self) -> Sheet {
        Sheet::read(&self.ledger, &self.bench, DAY, None).await.expect("a sheet")
    }

    /// Analyzer, number and state of each line.
    pub(super) async fn lines(&self) -> Vec<String> {
        let short = |l: &crate::sheet::Line| {
            let number = l.item.number.as_deref().unwrap_or("-");
            format!("{number} {}", l.item.state)
        };
        self.sheet().await.lines.iter().map(short).collect()
    }

    pub(super) async fn close(&self, last: &[(&str, &str)]) -> Result<Closing, StoreError> {
        let one = |(analyzer, number): &(&str, &str)| Confirmed {
            analyzer: (*analyzer).to_owned(),
            last: (*number != "none").then(|| (*number).to_owned()),
        };
        let confirmed: Vec<Confirmed> = last.iter().map(one).collect();
        let actor = Actor::person(Some("J. Mast".into()));
        self.ledger.day_close(&self.bench, &actor, DAY, &confirmed, &confirmed).await
    }

    pub(super) async fn explain(
        &self,
        numbers: &[&str],
        analyzer: Option<&str>,
    ) -> Result<Vec<String>, String> {
        let what = Explanation {
            day: DAY.into(),
            analyzer: analyzer.map(str::to_owned),
            numbers: numbers.iter().map(|n| (*n).to_owned()).collect(),
            reason: "strip jammed".into(),
        };
        let actor = Actor::person(Some("J. Mast".into()));
        let done = self.ledger.day_explain(&actor, &self.clock(), &what).await;
        let done = done.map(|said| said.into_iter().map(|one| one.id).collect());
        done.map_err(|e| e.to_string())
    }

    pub(super) async fn unexplain(&self, numbers: &[&str]) -> Result<Vec<String>, String> {
        let what = Explanation {
            day: DAY.into(),
            analyzer: None,
            numbers: numbers.iter().map(|n| (*n).to_owned()).collect(),
            reason: "found one".into(),
        };
        let actor = Actor::person(Some("J. Mast".into()));
        let done = self.ledger.day_unexplain(&actor, &self.clock(), &what).await;
        let done = done.map(|said| said.into_iter().map(|one| one.id).collect());
        done.map_err(|e| e.to_string())
    }

    pub(super) async fn accept_all(&self) {
        for n in self.waiting().await {
            self.ledger
                .queue_settle("lis", 0, &[settled(n, MessageState::Accepted)])
                .await
                .expect("recorded");
        }
    }

    async fn trail(&self, verb: &str) -> i64 {
        let mut conn = self.ledger.db.read().await.expect("a connection");
        let query = sqlx::query("SELECT count(*) FROM trail WHERE verb = $1").bind(verb.to_owned());
        let row = query.fetch_one(&mut conn).await.expect("a count");
        sqlx::Row::try_get(&row, 0).expect("a number")
    }

    async fn broken(&self, sql: &'static str) {
        let mut write = self.ledger.db.write().await.expect("a write");
        write.run(sql).await.expect("changed");
        write.commit().await.expect("committed");
    }
}

pub(super) fn refused(closing: &Result<Closing, StoreError>) -> String {
    match closing {
        Err(StoreError::Refused { why }) => why.to_string(),
        other => panic!("not refused: {other:?}"),
    }
}

async fn every_line_stands_where_its_number_belongs(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", "control_marks = [\"Q1=1\", \"Q2=1\"]"), ("bench-2", "")], "");
    lab.hear(1, "7", "KP-70007").await;
    for (number, specimen) in [
        ("1", "KP-00001"),
        ("Q2001", "QC-L1"),
        ("2", "KP-00002"),
        ("", "KP-00090"),
        ("10", "KP-00010"),
        ("Q1001", "QC-L1"),
        ("5", "KP-00005"),
        ("2", "KP-00002"),
        ("", "KP-00090"),
        ("5", "KP-00055"),
    ] {
        lab.hear(0, number, specimen).await;
    }
    assert_eq!(
        lab.lines().await,
        [
            "1 waiting",
            "2 waiting",
            "2 repeat",
            "3-4 missing",
            "5 waiting",
            "5 held",
            "6-9 missing",
            "10 waiting",
            "Q1001 filed",
            "Q2001 filed",
            "- waiting",
            "- repeat",
            "7 waiting",
        ]
    );
    let one = Sheet::read(&lab.ledger, &lab.bench, DAY, Some("bench-2")).await.expect("a sheet");
    assert_eq!((one.lines.len(), one.receivers["lis"]["heard"]), (1, 1));
}

async fn generations_and_rounds_keep_their_order(mut lab: Lab) {
    lab.bench =
        bench(&[("bench-1", "numbers = \"power-up\""), ("bench-2", "number_last = 20")], "");
    let mut minute = 0;
    for (analyzer, numbers) in [(0, ["1", "3", "1", "2", "4"]), (1, ["18", "20", "2", "1", "3"])] {
        for number in numbers {
            minute += 1;
            let specimen = format!("KP-{analyzer}{minute:04}");
            let mut heard = lab.heard(number, &specimen, "NEG");
            heard.report.taken =
                wickline_normalize::Moment::from_digits(&format!("202603140900{minute:02}"));
            lab.hear_that(analyzer, heard).await;
        }
    }
    let sheet = lab.sheet().await;
    let ids: Vec<String> =
        sheet.lines.iter().map(|l| format!("{} {}", l.name(), l.item.state)).collect();
    assert_eq!(
        ids,
        [
            "1 waiting",
            "2 missing",
            "3 waiting",
            "1 waiting",
            "2 waiting",
            "3 missing",
            "4 waiting",
            "18 waiting",
            "19 missing",
            "20 waiting",
            "1 waiting",
            "2 waiting",
            "3 waiting",
        ]
    );
    let missing = |l: &&crate::sheet::Line| l.item.state == "missing";
    let ids: Vec<&str> = sheet.lines.iter().filter(missing).map(|l| l.item.id.as_str()).collect();
    assert_eq!(ids, ["bench-1/2", "bench-1/3#2.0", "bench-2/19"], "ids tell generations apart");
    // The shorter way around: 1 is after 20, and 17 before 3.
    lab.accept_all().await;
    lab.explain(&ids, None).await.expect("by their ids");
    let behind = lab.close(&[("bench-1", "4"), ("bench-2", "17")]).await;
    assert!(refused(&behind).contains("gave out 3"), "{behind:?}");
    let entered = lab.close(&[("bench-1", "4"), ("bench-2", "5")]).await;
    assert!(matches!(&entered, Ok(Closing::Entered(e)) if words(&e[0].1) == "4-5"), "{entered:?}");
}

async fn a_missing_number_is_explained_and_nothing_else(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", ""), ("bench-2", "")], "");
    for (analyzer, number) in [(0, "1"), (0, "0008"), (1, "1"), (1, "4"), (0, "S-1"), (0, "S-4")] {
        lab.hear(analyzer, number, &format!("KP-{analyzer}{:04}", lab.at % 9973)).await;
    }
    let why = |answer: Result<Vec<String>, String>| answer.expect_err("refused");
    let both = why(lab.explain(&["2"], None).await);
    assert!(both.contains("bench-1, bench-2"), "{both}");
    assert!(why(lab.explain(&["8"], None).await).contains("waiting"));
    assert!(why(lab.explain(&["70"], None).await).contains("not on the sheet"));
    assert!(why(lab.explain(&["4-9"], None).await).contains("waiting"), "8 of them is there");
    assert!(
        why(lab.explain(&["2-99999"], Some("bench-1")).await).contains("waiting"),
        "to its end"
    );
    assert!(why(lab.explain(&["5", "70"], None).await).contains("Nothing was changed"));
    assert_eq!(lab.sheet().await.totals["explained"], 0, "all or none");
    let done = lab.explain(&["2-4", "0005", "S-2-S-3"], Some("bench-1")).await.expect("explained");
    let wanted = ["0002-0004", "0005", "S-2-S-3"].map(|n| format!("bench-1/{n}"));
    assert_eq!(done, wanted);
    let again = why(lab.explain(&["3"], Some("bench-1")).await);
    assert!(again.contains("explained (strip jammed)"), "{again}");
    assert_eq!(lab.explain(&["2"], None).await.expect("the other one"), ["bench-2/2"]);
    let (actor, reason) = (Actor::person(None), "jammed".to_owned());
    let what = Explanation { day: DAY.into(), analyzer: None, numbers: vec!["S-2".into()], reason };
    let said = lab.ledger.day_unexplain(&actor, &lab.clock(), &what).await.expect("taken back");
    assert_eq!(said[0].name, "S-2 of bench-1");
    lab.explain(&["S-2"], Some("bench-1")).await.expect("again");
    assert_eq!(lab.trail("explain").await, 5);
    let what = lab.sheet().await;
    let line = what.lines.iter().find(|l| l.item.id == "bench-1/0002-0005").expect("there");
    assert_eq!((line.detail().as_str(), line.todo.as_ref()), ("strip jammed", None));
    // It comes after all: then it is heard, and the rest stays explained.
    lab.hear(0, "0003", "KP-00033").await;
    let lines = lab.lines().await;
    for line in ["0002 explained", "0003 waiting", "0004-0005 explained", "0006-0007 missing"] {
        assert!(lines.contains(&line.to_owned()), "{line}: {lines:?}");
    }
}

async fn a_day_is_closed_only_when_all_is_confirmed_and_done(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", "control_marks = [\"Q1=1\"]"), ("bench-2", "")], "");
    for (number, specimen) in [("1", "KP-00001"), ("Q1001", "QC-L1"), ("3", "KP-00003")] {
        lab.hear(0, number, specimen).await;
    }
    let all = [("bench-1", "3"), ("bench-1", "Q1001"), ("bench-2", "none")];
    for (last, part) in [
        (&[][..], "bench-2: no number was heard"),
        (&all[..1], "Q1001 was heard last"),
        (&all[..2], "bench-2=none"),
        (&[("bench-9", "3")], "there is no analyzer bench-9"),
        (&[("bench-1", "none")], "gave out numbers"),
        (&[("bench-1", "2")], "gave out 3"),
        (&[("bench-1", "3"), ("bench-1", "3")], "twice"),
        (&[("bench-1", "x")], "not a test number"),
    ] {
        let why = refused(&lab.close(last).await);
        assert!(why.contains(part), "{last:?}: {why}");
    }
    let open = lab.close(&all).await.expect("an answer");
    let Closing::Outstanding(items) = open else { panic!("{open:?}") };
    let states: Vec<&str> = items.iter().map(|i| i.state.text()).collect();
    assert_eq!(states, ["waiting", "missing", "waiting"]);
    lab.accept_all().await;
    lab.explain(&["2"], None).await.expect("explained");
    assert!(lab.sheet().await.closed.is_none(), "what was refused changed nothing");
    assert_eq!(lab.trail("close").await, 0);
    assert!(matches!(lab.close(&all).await, Ok(Closing::Closed { again: false })));
    let closed = lab.sheet().await.closed.expect("closed");
    assert_eq!((closed.who.as_str(), closed.after.len()), ("J. Mast", 0));
    assert_eq!(closed.last["bench-1"], ["3", "Q1001"]);
    assert!(closed.last["bench-2"].is_empty());
    assert!(matches!(lab.close(&all).await, Ok(Closing::Closed { again: true })));
    assert_eq!(lab.trail("close").await, 2);
}

async fn a_confirmed_number_that_nobody_heard_is_missing(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", ""), ("bench-2", "control_marks = [\"Q1=1\"]")], "");
    lab.hear(0, "0001", "KP-00001").await;
    lab.accept_all().await;
    let more = [("bench-1", "0003"), ("bench-2", "2"), ("bench-2", "Q1001")];
    let entered = lab.close(&more).await.expect("an answer");
    let Closing::Entered(entered) = entered else { panic!("{entered:?}") };
    let entered: Vec<String> =
        entered.iter().map(|(a, gaps)| format!("{a} {}", words(gaps))).collect();
    assert_eq!(entered, ["bench-1 0002-0003", "bench-2 1-2 Q1001"]);
    assert_eq!(lab.trail("confirm-last").await, 2);
    let sheet = lab.sheet().await;
    let class = |id: &str| {
        sheet.lines.iter().find(|l| l.item.id == id).map(|l| l.item.class.clone()).expect("there")
    };
    assert_eq!(
        (class("bench-2/1-2"), class("bench-2/Q1001")),
        ("routine".into(), "control".into())
    );
    assert!(matches!(lab.close(&more).await, Ok(Closing::Outstanding(items)) if items.len() == 3));
    // They are awaited: one comes after all, the others are explained, one more is told as skipped.
    lab.hear(0, "0002", "KP-00002").await;
    lab.accept_all().await;
    lab.explain(&["0003"], None).await.expect("explained");
    lab.explain(&["1-2", "Q1001"], Some("bench-2")).await.expect("explained");
    assert!(matches!(lab.close(&more).await, Ok(Closing::Closed { again: false })));
    assert_eq!(gaps(&lab.hear(0, "0005", "KP-00005").await), ["0004"]);
}

async fn what_comes_after_the_closing_is_told(mut lab: Lab) {
    lab.hear(0, "1", "KP-00001").await;
    lab.accept_all().await;
    let closed = lab.close(&[("bench-1", "1")]).await;
    assert!(matches!(closed, Ok(Closing::Closed { .. })), "{closed:?}");
    let late = lab.hear(0, "3", "KP-00003").await.reports[0].id.to_string();
    let after = |sheet: &Sheet| sheet.closed.as_ref().expect("closed").after.clone();
    let sheet = lab.sheet().await;
    assert_eq!(after(&sheet), ["bench-1/2", &late]);
    assert_eq!(sheet.open().count(), 2);
    lab.accept_all().await;
    lab.explain(&["2"], None).await.expect("explained");
    let sheet = lab.sheet().await;
    assert_eq!((after(&sheet), sheet.open().count()), (vec!["bench-1/2".into(), late], 0));
    let behind = lab.close(&[("bench-1", "1")]).await;
    assert!(refused(&behind).contains("gave out 3"));
    assert!(matches!(lab.close(&[("bench-1", "3")]).await, Ok(Closing::Closed { again: true })));
    assert!(after(&lab.sheet().await).is_empty(), "a person has seen it");
}

async fn a_confirmation_answers_what_nobody_listened_to(mut lab: Lab) {
    lab.hear(0, "1", "KP-00001").await;
    let mut next = lab.heard("1", "KP-00011", "NEG");
    next.report.taken = wickline_normalize::Moment::from_digits("20260315080000");
    next.heard_at += 82_000_000_000;
    next.unheard = true;
    lab.hear_that(0, next).await;
    lab.accept_all().await;
    assert_eq!(lab.lines().await, ["1 accepted", "after 1 missing"]);
    assert!(
        lab.sheet().await.lines[1].todo.as_ref().is_some_and(|t| t.words.contains("bench-1=1` "))
    );
    assert!(matches!(lab.close(&[("bench-1", "1")]).await, Ok(Closing::Closed { .. })));
    let sheet = lab.sheet().await;
    assert_eq!(sheet.lines[1].item.state, "explained");
    assert_eq!(sheet.lines[1].detail(), "1 confirmed as the last by J. Mast");
}

/// Where numbers go on from day to day, the last of a day is not the last of the next one.
async fn the_last_of_a_day_is_of_that_day(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", "numbers = \"never\"")], "");
    lab.hear(0, "57", "KP-00057").await;
    for number in ["60", "61"] {
        let mut next = lab.heard(number, &format!("KP-000{number}"), "NEG");
        next.report.taken = wickline_normalize::Moment::from_digits("20260315080000");
        next.heard_at += 82_000_000_000;
        lab.hear_that(0, next).await;
    }
    lab.accept_all().await;
    for number in ["59", "61"] {
        let why = refused(&lab.close(&[("bench-1", number)]).await);
        assert!(why.contains("another day"), "{why}");
    }
    assert!(refused(&lab.close(&[("bench-1", "56")]).await).contains("gave out 57"));
    assert!(matches!(lab.close(&[("bench-1", "57")]).await, Ok(Closing::Closed { .. })));
}

/// A number that was missing, came late and was the last before the daemon stopped has a row already.
async fn the_last_number_may_have_come_late(mut lab: Lab) {
    lab.hear(0, "1", "KP-00001").await;
    let entered = lab.close(&[("bench-1", "2")]).await;
    assert!(matches!(entered, Ok(Closing::Entered(_))), "{entered:?}");
    lab.hear(0, "2", "KP-00002").await;
    assert_eq!(lab.lines().await, ["1 waiting", "2 waiting"]);
    let mut next = lab.heard("1", "KP-00011", "NEG");
    next.report.taken = wickline_normalize::Moment::from_digits("20260315080000");
    next.heard_at += 82_000_000_000;
    next.unheard = true;
    lab.hear_that(0, next).await;
    assert_eq!(lab.lines().await, ["1 waiting", "2 waiting", "after 2 missing"]);
    assert_eq!(lab.explain(&["after 2"], None).await.expect("by what it is"), ["bench-1/after 2"]);
}

async fn another_bench_must_be_confirmed_too(mut lab: Lab) {
    lab.bench = bench(&[("bench-1", ""), ("bench-2", "control_marks = [\"Q1=1\"]")], "");
    lab.hear(1, "5", "KP-00005").await;
    lab.hear(1, "Q1001", "QC-L1").await;
    lab.accept_all().await;
    lab.bench = bench(&[("bench-1", "")], "");
    let own = refused(&lab.close(&[("bench-1", "none")]).await);
    assert!(own.contains("bench-2: 5 was heard") && own.contains("Q1001 was heard"), "{own}");
    let all = [("bench-1", "none"), ("bench-2", "7"), ("bench-2", "Q1001")];
    let more = refused(&lab.close(&all).await);
    assert!(more.contains("its own bench"), "{more}");
    let all = [("bench-1", "none"), ("bench-2", "5"), ("bench-2", "Q1001")];
    assert!(matches!(lab.close(&all).await, Ok(Closing::Closed { .. })));
}

/// A small generator that gives the same story for the same seed.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % 1_000_003).expect("small") % sides
    }
}

async fn sums_add_up_over_any_history(mut lab: Lab) {
    let qc = "[[receiver]]\nid = \"qc\"\naddress = \"dir:qc\"\ncontrols = true\npatients = false\n\
         [[receiver]]\nid = \"two\"\naddress = \"dir:two\"\nanalyzers = [\"bench-2\"]\n";
    lab.bench = bench(&[("bench-1", ""), ("bench-2", "")], qc);
    let mut dice = Dice(0x9e37_79b9_7f4a_7c15);
    let actor = Actor::person(None);
    let mut heard = [0_u64; 2];
    for step in 0..120 {
        let which = dice.roll(2);
        let number = format!("{}", 1 + dice.roll(40));
        let specimen = ["QC-L1", "", "KP-00001", "KP-00002", "KP-00003"][dice.roll(5)];
        let report = lab.heard(&number, specimen, ["NEG", "2+", "777"][dice.roll(3)]);
        lab.hear_that(which, report).await;
        heard[which] += 1;
        let id = 1 + i64::try_from(dice.roll(step + 1)).expect("small");
        // Some of these are refused by the rules: the sums must not care.
        let ledger = &lab.ledger;
        match dice.roll(7) {
            0 => drop(ledger.report_set_aside(&lab.bench, &actor, id, "no").await),
            1 => drop(ledger.report_identify(&lab.bench, &actor, id, &twice("KP-00444")).await),
            2 => drop(ledger.message_set_aside(&actor, &[id], "told").await),
            3 => drop(ledger.queue_settle("lis", 0, &[settled(id, MessageState::Accepted)]).await),
            4 => {
                let reason = Some("receiver-error");
                let no = Settled { reason, ..settled(id, MessageState::Refused) };
                drop(ledger.queue_settle("two", 0, &[no]).await);
            }
            5 => drop(ledger.message_retry(&lab.bench, &actor, &Which::These(vec![id])).await),
            _ => drop(lab.explain(&[&number], Some("bench-1")).await),
        }
        let sheet = lab.sheet().await;
        assert!(sheet.faults.is_empty(), "step {step}: {:?}", sheet.faults);
        for (receiver, wanted) in [("lis", heard[0] + heard[1]), ("two", heard[1])] {
            let counts = &sheet.receivers[receiver];
            let parts: u64 = PARTS.iter().map(|s| counts[s.text()]).sum();
            assert_eq!((counts["heard"], parts), (wanted, wanted), "{receiver}, step {step}");
            assert_eq!(counts.len(), crate::store::state::State::ALL.len(), "every state is named");
        }
        let counted: u64 = sheet.lines.iter().map(crate::sheet::Line::count).sum();
        assert_eq!(sheet.totals.values().sum::<u64>(), counted, "step {step}");
    }
}

async fn a_broken_row_is_told(mut lab: Lab) {
    for n in ["1", "2", "3"] {
        lab.hear(0, n, &format!("KP-0000{n}")).await;
    }
    assert!(lab.sheet().await.faults.is_empty());
    lab.broken("UPDATE message SET state = 'gone' WHERE report = 1").await;
    let sheet = Sheet::read(&lab.ledger, &lab.bench, DAY, None).await;
    assert!(matches!(sheet, Err(StoreError::Undecodable { .. })), "{sheet:?}");
    let leaf = Leaf::read(&lab.ledger, &lab.bench, DAY, 0).await;
    assert!(matches!(leaf, Err(StoreError::Undecodable { .. })), "{leaf:?}");
    lab.broken("UPDATE message SET state = 'accepted' WHERE report = 1").await;
    lab.broken("DELETE FROM message WHERE report = 2").await;
    let faults = lab.sheet().await.faults;
    assert!(faults[0].contains("report 2 waits, and there is no message"), "{faults:?}");
    // Two that are alike are one kind of reports for who counts, and none is left out.
    lab.broken("DELETE FROM message WHERE report = 3").await;
    let leaf = Leaf::read(&lab.ledger, &lab.bench, DAY, 0).await.expect("a leaf");
    let fault = "report 2 waits, and there is no message that would carry it (and 1 more like it)";
    assert_eq!(leaf.sheet.faults, [fault]);
    assert_eq!(lab.sheet().await.faults.len(), 2);
}
