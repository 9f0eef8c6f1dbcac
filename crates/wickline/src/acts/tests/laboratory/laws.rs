//! What must be so of the random laboratory after every step, and in the end.

use std::collections::{BTreeMap, BTreeSet};

use super::*;
use crate::sheet::leaf::Leaf;
use crate::sheet::{Line, Sheet};
use crate::store::rows::report;
use crate::store::state::State;

impl Story {
    /// After every step: the sheet adds up, what is held has a reason and is in no queue, and what a set
    /// back ledger may have sent before waits for a person.
    pub async fn holds_good(&self) {
        let sheet =
            Sheet::read(&self.lab.ledger, &self.lab.bench, DAY, None).await.expect("a sheet");
        assert!(sheet.faults.is_empty(), "{:?}: {:#?}", sheet.faults, self.told);
        self.leaves_say_what_the_sheet_says(&sheet).await;
        self.controls_are_due().await;
        let bare = "SELECT r.n FROM report r WHERE r.state = 'held' AND NOT EXISTS \
             (SELECT 1 FROM hold h WHERE h.report = r.n AND h.cleared_at IS NULL)";
        let bare = self.numbers(bare).await;
        assert!(bare.is_empty(), "held for nothing: {:#?}", self.told);
        let open = "SELECT r.n FROM report r WHERE (r.state = 'waiting' OR EXISTS (SELECT 1 FROM message m \
             WHERE m.report = r.n AND m.state = 'waiting' AND coalesce(m.amends, '') <> 'withdraws')) \
             AND EXISTS (SELECT 1 FROM hold h WHERE h.report = r.n AND h.cleared_at IS NULL)";
        let open = self.numbers(open).await;
        assert!(open.is_empty(), "on its way while something holds it: {:#?}", self.told);
        let aside = "SELECT report FROM message WHERE amends = 'withdraws' AND aside = 'person'";
        let aside = self.numbers(aside).await;
        assert!(aside.is_empty(), "a withdrawal is not told: {:#?}", self.told);
        let queue = "SELECT report FROM message WHERE state = 'waiting' AND filler IS NULL";
        for n in self.numbers(queue).await {
            let print = self.prints.iter().find(|print| print.report == n);
            let doubted = print.is_some_and(|print| print.doubted);
            assert!(!doubted, "report {n} was perhaps sent before: {:#?}", self.told);
        }
    }

    /// Sums that are counted are those of the lines, and the leaves have every line as the sheet has it.
    async fn leaves_say_what_the_sheet_says(&self, sheet: &Sheet) {
        let shown = |line: &Line| format!("{line:?}");
        let whole: Vec<String> = sheet.lines.iter().map(shown).collect();
        for most in [whole.len().max(1), 3] {
            let (mut after, mut found) = (Some(0), Vec::new());
            while let Some(from) = after {
                let (ledger, bench) = (&self.lab.ledger, &self.lab.bench);
                let leaf = Leaf::of(ledger, bench, DAY, (from, most)).await.expect("a leaf");
                let sums = |sheet: &Sheet| {
                    let Sheet { totals, receivers, faults, outstanding, .. } = sheet.clone();
                    (totals, receivers, faults, outstanding)
                };
                assert_eq!(sums(&leaf.sheet), sums(sheet), "{:#?}", self.told);
                assert_eq!(leaf.sheet.barriers, sheet.barriers, "{:#?}", self.told);
                assert_eq!(format!("{:?}", leaf.waits), format!("{:?}", sheet.waits()));
                let open = sheet.open().filter(|line| line.needs_person()).map(shown);
                let first: Vec<String> = leaf.open.iter().map(shown).collect();
                assert_eq!((open.collect::<Vec<_>>(), 0), (first, leaf.more), "{:#?}", self.told);
                found.extend(leaf.sheet.lines.iter().map(shown));
                after = leaf.next;
            }
            let mut whole = whole.clone();
            if most == 3 {
                whole.sort_unstable();
                found.sort_unstable();
            }
            assert_eq!(found, whole, "{:#?}", self.told);
        }
    }

    /// What the instrument before gave out is nothing to the numbers of this one: its first opens no gap, and
    /// none of them was used, or said the same, before it said so itself.
    pub fn is_its_own(&mut self, number: &str, taken: &Taken) {
        let Some(own) = &mut self.own else { return };
        let first = own.is_empty();
        let [report] = &taken.reports[..] else { panic!("one report: {:#?}", self.told) };
        assert!(!first || taken.missing.is_empty(), "a gap across instruments: {:#?}", self.told);
        let used = report.reason == Some(Reason::NumberReused);
        let known = used || report.state == ReportState::Repeat;
        assert!(!own.insert(number.to_owned()) || !known, "another's number: {:#?}", self.told);
    }

    /// Nothing that the instrument before passed counts for this one.
    async fn controls_are_due(&self) {
        let (analyzer, at) = (&self.lab.bench.analyzers[0], HEARD + self.replaced);
        let stands = self.lab.ledger.control_standing(&self.lab.bench, analyzer, at).await;
        let stands = stands.expect("read").remove(0);
        let state = stands.levels.iter().find(|l| l.level.as_deref() == Some("1")).map(|l| l.state);
        let state = state.expect("its level");
        let due = self.own.is_none() || self.passed || state != "passed";
        assert!(due, "controls are {state} on a new instrument: {:#?}", self.told);
    }

    pub async fn numbers(&self, sql: &'static str) -> Vec<i64> {
        let mut conn = self.lab.ledger.db.read().await.expect("a connection");
        let rows = conn.fetch_all(sql).await.expect("rows");
        self.lab.ledger.db.give_back(conn).await;
        rows.iter().map(|row| sqlx::Row::get(row, 0)).collect()
    }

    /// In the end everything that waits is accepted. Then the receiver holds of each specimen what was read of
    /// it, and nothing else that was not taken back or told by a person.
    pub async fn end(mut self) {
        self.told.push("the end".into());
        self.compare().await.expect("compared");
        for _ in 0..4 {
            let states = vec![State::Waiting, State::Refused, State::SetAside];
            let asked = Asked { states, ..Asked::default() };
            let items = self.lab.ledger.queue(&asked, &self.lab.clock()).await.expect("a list");
            for item in items {
                let again = Which::These(vec![item.n]);
                let (bench, actor) = (&self.lab.bench, self.actor());
                let _ = self.lab.ledger.message_retry(bench, &actor, &again).await;
            }
            while let Some(due) = self.due().await {
                self.takes(&due, self.history);
                self.settle(&due, MessageState::Accepted).await;
            }
            self.put_right().await;
        }
        self.holds_good().await;
        let told = self.fillers("m.told IS NOT NULL").await;
        self.says_what_speaks(&told).await;
        let withdrawn = self.fillers("m.amends = 'withdraws' OR r.aside = 'withdrawn'").await;
        for has in &self.receiver.has {
            if has.is_withdrawn() || told.contains(&has.filler) {
                continue;
            }
            let stands = withdrawn.contains(&has.filler);
            assert!(!stands, "{} stands: {:#?}", has.filler, self.told);
            let print = &self.prints[has.print()];
            // What was said in a history that is lost was said.
            let before = has.history < self.history && print.was_said.contains(&has.specimen);
            assert!(
                before || print.may_be.contains(&has.specimen),
                "{} holds what print {print:?} read: {:#?}",
                has.specimen,
                self.told
            );
        }
    }

    /// Under each OBR-3 the receiver has what the last report says that speaks under it.
    async fn says_what_speaks(&self, told: &BTreeSet<String>) {
        let mut last: BTreeMap<String, usize> = BTreeMap::new();
        for print in self.prints.iter().filter(|print| !print.purged) {
            let mut write = self.lab.ledger.db.write().await.expect("a write");
            let row = report::read(&mut write, print.report).await.expect("read").expect("there");
            if row.state == ReportState::Waiting {
                last.insert(row.filler.clone(), spelt_by(&row.readings));
            }
        }
        for (filler, print) in last.iter().filter(|(filler, _)| !told.contains(*filler)) {
            let Some(has) = self.receiver.under(filler) else {
                panic!("{filler} is nowhere: {:#?}", self.told)
            };
            assert_eq!(has.print(), *print, "{filler}: {has:?}: {:#?}", self.told);
        }
    }

    /// The OBR-3 of messages of a kind.
    async fn fillers(&self, which: &str) -> BTreeSet<String> {
        let mut conn = self.lab.ledger.db.read().await.expect("a connection");
        let sql = format!(
            "SELECT coalesce(m.filler, r.filler) FROM message m JOIN report r ON r.n = m.report WHERE {which}"
        );
        let rows = conn.fetch_all(sqlx::AssertSqlSafe(sql)).await.expect("rows");
        rows.iter().map(|row| sqlx::Row::get(row, 0)).collect()
    }
}
