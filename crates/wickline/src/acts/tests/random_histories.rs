//! Random histories of one OBR-3: prints, corrections, refusals, silence and people's acts in any order.
//! Whatever a receiver has, no other value of it ever comes as final.

use std::collections::{HashMap, HashSet};

use wickline_forward::hl7::Message;
use wickline_normalize::Finality;

use super::*;
use crate::acts::decide::Decision;
use crate::simulate::script::Dice;
use crate::store::rows::queue::Due;

const GRADES: [&str; 4] = ["NEG", "1+", "2+", "3+"];

/// What the receiver really has, by OBR-3 and OBX-3: value and status.
#[derive(Default)]
struct Receiver {
    has: HashMap<[String; 2], (String, String)>,
    /// What it once had as final.
    ended: HashSet<[String; 2]>,
    /// Messages that it took. It never says no to one of these when it comes again.
    took: Vec<i64>,
}

impl Receiver {
    fn takes(&mut self, n: i64, body: &[u8], story: &[String]) {
        self.took.push(n);
        let message = Message::read(body).expect("a message");
        let filler = message.component("OBR", 1, 3, 1);
        for n in 1..=message.count("OBX") {
            let of = |field, part| message.component("OBX", n, field, part);
            let key = [filler.clone(), of(3, 4)];
            let (value, status) = (of(5, 2), of(11, 1));
            let ended = self.ended.contains(&key);
            if let Some((had, stood)) = self.has.get(&key)
                && status == "F"
            {
                let same = *had == value && stood != "W";
                assert!(same || !ended, "{had} {stood}, then {value} F: {story:#?}");
            }
            let early = matches!(status.as_str(), "P" | "R");
            assert!(!(early && ended), "{value} {status} of what was final: {story:#?}");
            if matches!(status.as_str(), "F" | "C") {
                self.ended.insert(key.clone());
            }
            self.has.insert(key, (value, status));
        }
    }
}

/// One bench, one receiver, and what happened.
struct Story {
    lab: Lab,
    dice: Dice,
    receiver: Receiver,
    told: Vec<String>,
    /// The last print of the number, with its glucose.
    print: (i64, &'static str),
}

impl Story {
    async fn begin(seed: u64) -> Self {
        let mut lab = Lab::sqlite().await;
        let heard = [lab.heard("7", "KP-00007", "NEG")];
        let id = lab.take(&heard, 1).await.reports[0].id;
        let told = vec![format!("seed {seed}")];
        let receiver = Receiver::default();
        Self { lab, dice: Dice::new(seed), receiver, told, print: (id, "NEG") }
    }

    fn pick<T: Copy>(&mut self, of: &[T]) -> Option<T> {
        of.get(self.dice.roll(of.len())).copied()
    }

    async fn due(&self) -> Option<Due> {
        let page = self.lab.ledger.queue_page("lis", 0, 1).await.expect("a page");
        let due = page.into_iter().next()?;
        let asked = due.built_on && due.attempts == 0;
        if asked && self.lab.ledger.queue_overtaken("lis", due.n).await.expect("asked") {
            return None;
        }
        Some(due)
    }

    /// The oldest goes on the wire; perhaps a person does something meanwhile; then it ends somehow.
    async fn send(&mut self) {
        let Some(due) = self.due().await else { return };
        if self.dice.roll(3) == 0 {
            self.act().await;
        }
        let end = match self.dice.roll(4) {
            1 if self.receiver.took.contains(&due.n) => 0,
            end => end,
        };
        self.told.push(format!("message {} ends {end}", due.n));
        if end != 1 && end != 3 {
            self.receiver.takes(due.n, &due.body, &self.told);
        }
        let attempts = due.attempts + 1;
        let settled = |state| {
            let answer = Some(b"MSA".to_vec());
            [Settled { attempts, answer, ..settled(due.n, state) }]
        };
        let ledger = &self.lab.ledger;
        match end {
            0 => ledger.queue_settle("lis", 0, &settled(MessageState::Accepted)).await,
            1 => ledger.queue_settle("lis", 0, &settled(MessageState::Refused)).await,
            _ => {
                let tried = [Tried::times(due.n, attempts)];
                ledger.queue_tried("lis", 0, &tried, 1, "unanswered", "no answer").await
            }
        }
        .expect("recorded");
    }

    async fn act(&mut self) {
        let what = self.dice.roll(7);
        self.told.push(format!("act {what}"));
        match what {
            0 => self.print_again().await,
            1 | 2 => self.correct().await,
            6 => self.verify_elsewhere(),
            _ => self.move_a_message(what).await,
        }
    }

    /// The receiver verifies by itself from now on, or no longer.
    fn verify_elsewhere(&mut self) {
        let all = [Finality::Final, Finality::Preliminary, Finality::Unverified];
        let Some(status) = self.pick(&all) else { return };
        let target = std::sync::Arc::get_mut(&mut self.lab.bench.targets[0]).expect("ours alone");
        target.layout.status = status;
        self.told.push(format!("results go as {}", status.status().text()));
    }

    /// The number comes again with other readings, and a person says that it is a correction.
    async fn print_again(&mut self) {
        let Some(glucose) = self.pick(&GRADES) else { return };
        let heard = [self.lab.heard("7", "KP-00007", glucose)];
        let taken = self.lab.take(&heard, 1).await;
        let one = &taken.reports[0];
        if one.state != ReportState::Held {
            return;
        }
        let (ledger, actor) = (&self.lab.ledger, Actor::person(None));
        let what = Decision::Correction { of: None };
        ledger
            .report_decide(&self.lab.bench, &actor, one.id, what, "again")
            .await
            .expect("decided");
        self.told.push(format!("report {} says {glucose}", one.id));
        self.print = (one.id, glucose);
    }

    async fn correct(&mut self) {
        let Some(glucose) = self.pick(&GRADES) else { return };
        let (n, was) = self.print;
        let mut write = self.lab.ledger.db.write().await.expect("a write");
        let query = sqlx::query("UPDATE report SET print = replace(print, $1, $2) WHERE n = $3")
            .bind(format!("^^^GLU|{was}|"))
            .bind(format!("^^^GLU|{glucose}|"))
            .bind(n);
        write.conn().execute(query).await.expect("changed");
        write.commit().await.expect("committed");
        let (bench, tape, actor) = (&self.lab.bench, &self.lab.tape, Actor::person(None));
        let done = self.lab.ledger.report_correct(bench, tape, &actor, n, None, "mended").await;
        done.expect("corrected");
        self.told.push(format!("report {n} reads {glucose}"));
        self.print = (n, glucose);
    }

    async fn move_a_message(&mut self, what: usize) {
        let (ledger, actor) = (self.lab.ledger.clone(), Actor::person(None));
        let items = ledger.queue(&Asked::default(), &self.lab.clock()).await.expect("a list");
        let ids: Vec<i64> = items.iter().map(|i| i.n).collect();
        let Some(n) = self.pick(&ids) else { return };
        self.told.push(format!("of message {n}"));
        let allowed = match what {
            3 => ledger.message_hold(&actor, &[n], "wait").await,
            4 => ledger.message_set_aside(&actor, &[n], "no").await,
            _ => {
                let again = Which::These(vec![n]);
                ledger.message_retry(&self.lab.bench, &actor, &again).await.map(drop)
            }
        };
        // What may not be done with it is refused: that too is part of the story.
        if let Err(error) = allowed {
            assert!(matches!(error, StoreError::Refused { .. }), "{error}");
        }
    }

    /// In the end everything is let go and accepted: then the receiver has what is so.
    async fn end(mut self) {
        self.told.push("the end".into());
        let actor = Actor::person(None);
        for _ in 0..3 {
            let items = self.lab.ledger.queue(&Asked::default(), &self.lab.clock()).await;
            for item in items.expect("a list") {
                let again = Which::These(vec![item.n]);
                let _ = self.lab.ledger.message_retry(&self.lab.bench, &actor, &again).await;
            }
            while let Some(due) = self.due().await {
                self.receiver.takes(due.n, &due.body, &self.told);
                let answer = Some(b"MSA".to_vec());
                let done = [Settled { answer, ..settled(due.n, MessageState::Accepted) }];
                self.lab.ledger.queue_settle("lis", 0, &done).await.expect("recorded");
            }
            let (bench, tape, n) = (&self.lab.bench, &self.lab.tape, self.print.0);
            let again =
                self.lab.ledger.report_correct(bench, tape, &actor, n, None, "the end").await;
            again.expect("corrected");
        }
        let story = &self.told;
        assert!(self.lab.waiting().await.is_empty(), "nothing more to say: {story:#?}");
        let glucose = |(key, _): &(&[String; 2], &(String, String))| key[1] == "GLU-GRADE";
        let all: Vec<_> = self.receiver.has.iter().filter(glucose).collect();
        let [(_, (value, status))] = all[..] else { panic!("one OBR-3: {story:#?}") };
        let right = if self.print.1 == "NEG" { "Negative" } else { self.print.1 };
        assert!(*value == right && status != "W", "{value} {status}: {story:#?}");
        let goes = self.lab.bench.targets[0].layout.status.status().text();
        let told = matches!(status.as_str(), "F" | "C") || status == goes;
        assert!(told, "{status} where results go as {goes}: {story:#?}");
    }
}

#[tokio::test]
async fn no_changed_value_ever_goes_as_final() {
    let long = std::env::var("WICKLINE_LONG").is_ok_and(|v| v == "1");
    for seed in 1..=if long { 400 } else { 12 } {
        let mut story = Story::begin(seed).await;
        for _ in 0..20 {
            if story.dice.roll(2) == 0 { story.send().await } else { story.act().await }
        }
        story.end().await;
    }
}
