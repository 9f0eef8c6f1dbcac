//! `explain --follow`: each report as the running daemon hears it, read from its tape.
//!
//! It reads beside the daemon and writes nothing, neither to the tape nor to the ledger.

use std::time::Duration;

use serde_json::json;
use tokio::signal::unix::{SignalKind, signal};
use wickline_listen::ear::Ear;

use super::account::{Account, Explained};
use super::capture::KeptBytes;
use super::screen;
use crate::cli::output::Output;
use crate::cli::{Answer, Exit, Failure};
use crate::clock;
use crate::sheet::todo::word;
use crate::store::tape::ticks::TapeClock;
use crate::store::tape::{Entry, Kind, Tape};

/// How often the tape is looked at.
const LOOK: Duration = Duration::from_millis(250);
/// What the line may have heard although the tape does not show it yet.
const ON_ITS_WAY: i64 = 500_000;
/// Entries read at a time.
const PAGE: i64 = 256;
/// So many entries before the end the ear begins, so that a report under way is heard whole.
const BEFORE: i64 = 512;

struct Follower<'a> {
    account: Account<'a>,
    ear: Ear,
    clock: TapeClock,
    heard: KeptBytes,
    last: i64,
    /// Reports that ended before this entry are passed over.
    from: i64,
    /// The tape's time of the last entry, and our own when we saw it.
    seen: Option<(i64, i64)>,
    at: i64,
    count: usize,
    clean: bool,
}

pub async fn follow(account: Account<'_>, all: bool, count: Option<usize>, out: &Output) -> Answer {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let tape = &account.bench.tape;
    let watch = Tape::look(tape).await?;
    let analyzer = account.analyzer.id.clone();
    let (end, before) = if all { (0, 0) } else { watch.tail(&analyzer, BEFORE).await? };
    let mut follower = Follower {
        ear: Ear::new(account.analyzer.dialect.as_ref()),
        account,
        clock: TapeClock::default(),
        heard: KeptBytes::default(),
        last: before,
        from: end,
        seen: None,
        at: 0,
        count: 0,
        clean: true,
    };
    eprintln!("following {analyzer} on {}; ctrl-c ends", tape.display());
    while count.is_none_or(|count| follower.count < count) {
        let entries = tokio::select! {
            entries = watch.after(&analyzer, follower.last, PAGE) => entries?,
            _ = interrupt.recv() => break,
        };
        for entry in &entries {
            follower.hear(entry);
            follower.show(count, out).await?;
        }
        if entries.is_empty() {
            follower.fall_silent();
            follower.show(count, out).await?;
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                _ = interrupt.recv() => break,
            }
        }
    }
    watch.db().close().await?;
    Ok(if follower.clean { Exit::Done } else { Exit::NotClean })
}

impl Follower<'_> {
    fn hear(&mut self, entry: &Entry) {
        let now = self.clock.at(entry);
        if self.ear.is_idle() {
            self.heard.forget();
        }
        match entry.kind {
            Kind::Bytes => {
                self.heard.push(entry.start, entry.data.clone());
                self.ear.handle_input(now, &entry.data, entry.start, &entry.flaws);
            }
            Kind::Opened | Kind::Closed => self.ear.handle_closed(now),
            Kind::Gap => self.ear.handle_gap(now),
        }
        (self.last, self.at) = (entry.n, entry.at);
        self.seen = Some((now, clock::tick_us()));
    }

    /// Nothing new stands on the tape: the silence that ends a report goes on.
    fn fall_silent(&mut self) {
        if let Some((then, tick)) = self.seen {
            let silent = clock::tick_us().saturating_sub(tick).saturating_sub(ON_ITS_WAY);
            self.ear.handle_timeout(then.saturating_add(silent.max(0)));
        }
    }

    async fn show(&mut self, most: Option<usize>, out: &Output) -> Result<(), Failure> {
        while let Some(transmission) = self.ear.poll_transmission() {
            let reports = self.account.transmission(&transmission, &self.heard, self.at).await?;
            if self.last <= self.from {
                continue;
            }
            if let Some(question) = self.account.question(&transmission) {
                self.tell_question(&question, out)?;
            }
            for mut report in reports {
                if most.is_some_and(|most| self.count >= most) {
                    return Ok(());
                }
                self.count += 1;
                report.report = self.count;
                self.tell(&report, out)?;
            }
        }
        Ok(())
    }

    fn tell_question(&self, question: &str, out: &Output) -> std::io::Result<()> {
        if out.json {
            return out
                .document(&json!({"reports": [], "not_understood": [], "questions": [question]}));
        }
        out.line(question);
        Ok(())
    }

    fn tell(&mut self, report: &Explained, out: &Output) -> std::io::Result<()> {
        let missed = report.missed();
        self.clean &= missed.is_empty() && report.holds.is_empty();
        if out.json {
            return out.document(&json!({"reports": [report], "not_understood": missed}));
        }
        screen::report(report, "since this began", out);
        screen::missed(&missed, out);
        let specimen = report.specimen.as_deref().filter(|_| self.account.bench.has_orders());
        if let Some(specimen) = specimen.filter(|_| report.is_ready()) {
            let specimen = word(specimen);
            out.line(&format!(
                "whether an order lets it go is not looked at here: `wickline find {specimen}` tells what became of it"
            ));
        }
        Ok(())
    }
}
