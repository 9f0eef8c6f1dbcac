//! The lines that are heard, each with a stop switch of its own: what does not change with the
//! configuration is not touched.

use std::sync::Arc;

use tokio::sync::watch;
use tokio::task::JoinSet;
use tracing::{Instrument, debug_span};
use wickline_listen::dialect::LinkKind;
use wickline_listen::line::{LineKind, LineSpec, Listener};

use crate::pipeline::between::Between;
use crate::pipeline::event::{Bound, Event, Events};
use crate::pipeline::hearing::Hearing;
use crate::pipeline::tee::{Copying, Tee};
use crate::pipeline::troubles::Troubles;
use crate::settings::bench::{Analyzer, Bench, TeeTo};
use crate::store::StoreError;
use crate::store::tape::Tape;

/// All lines of a daemon.
#[derive(Default)]
pub struct Lines {
    open: Vec<Line>,
}

/// One line that is heard.
struct Line {
    analyzer: String,
    spec: LineSpec,
    link: LinkKind,
    /// Where it listens, if it does.
    bound: Option<Bound>,
    /// Shared with who reads its tape.
    between: Arc<Between>,
    stop: watch::Sender<bool>,
    copy: Copy,
}

/// The copy of a line, which comes, goes and changes while the line stays open.
#[derive(Default)]
struct Copy {
    to: Option<TeeTo>,
    tee: watch::Sender<Option<Tee>>,
    stop: watch::Sender<bool>,
}

impl Copy {
    /// Has the copy go where this analyzer's is to go. What is still on its way to another place has a moment.
    async fn set(
        &mut self,
        bench: &Bench,
        analyzer: &Analyzer,
        events: &Events,
        tasks: &mut JoinSet<Result<(), StoreError>>,
    ) {
        if self.to == analyzer.tee {
            return;
        }
        self.tee.send_replace(None);
        self.stop.send_replace(true);
        self.stop.closed().await;
        self.to.clone_from(&analyzer.tee);
        let Some(to) = self.to.clone() else { return };
        let (tee, stop) = (Tee::default(), watch::Sender::new(false));
        let (analyzer, events, stopped) = (analyzer.id.clone(), events.clone(), stop.subscribe());
        let low_water = bench.low_water;
        let copying = Copying { analyzer, to, tee: tee.clone(), low_water, events, stop: stopped };
        let (heard, ends) = (self.tee.clone(), stop.clone());
        self.stop = stop;
        self.tee.send_replace(Some(tee));
        tasks.spawn(async move {
            // Not before the line, whose last bytes are copied too.
            let line_ended = async {
                heard.closed().await;
                ends.send_replace(true);
                std::future::pending().await
            };
            tokio::select! {
                () = copying.run() => {}
                () = line_ended => {}
            }
            Ok(())
        });
    }
}

impl Line {
    /// Whether it is heard as this analyzer is to be heard.
    fn serves(&self, analyzer: &Analyzer) -> bool {
        self.analyzer == analyzer.id
            && self.spec == analyzer.line
            && self.link == analyzer.dialect.link()
    }
}

impl Lines {
    /// Hears the analyzers of this bench and no others. What goes or changes is closed before anything is
    /// opened, for the new may want its place. An error: what changed or is new is not heard.
    pub async fn set(
        &mut self,
        bench: &Bench,
        tape: &Tape,
        events: &Events,
        tasks: &mut JoinSet<Result<(), StoreError>>,
    ) -> Result<(), StoreError> {
        let serves = |line: &Line| bench.analyzers.iter().any(|a| line.serves(a));
        let (kept, gone): (Vec<Line>, Vec<Line>) =
            std::mem::take(&mut self.open).into_iter().partition(serves);
        self.open = kept;
        for line in &gone {
            line.stop.send_replace(true);
        }
        for Line { stop, analyzer, copy, .. } in gone {
            stop.closed().await;
            copy.stop.closed().await;
            let why = "closed, as another configuration has it".to_owned();
            events.tell(Event::LineDown { analyzer, why });
        }
        events.seen.begin(bench);
        let mut new = Vec::new();
        for analyzer in &bench.analyzers {
            if !self.open.iter().any(|line| line.serves(analyzer)) {
                let listener = listener(analyzer).await?;
                let heard = tape.line(&analyzer.id).await?;
                let heard = match analyzer.dialect.link() {
                    LinkKind::Lis01 => heard,
                    LinkKind::Printed(_) => heard.unawaited(),
                };
                new.push((analyzer, listener, heard));
            }
        }
        for (analyzer, listener, tape_line) in new {
            let (listener, bound) = listener.unzip();
            let (analyzer, spec, link) =
                (analyzer.id.clone(), analyzer.line.clone(), analyzer.dialect.link());
            let (between, (stop, stopped)) = (Arc::default(), watch::channel(false));
            let copy = Copy::default();
            let hearing = Hearing {
                analyzer: analyzer.clone(),
                spec: spec.clone(),
                link: link.clone(),
                tape: tape_line,
                healthy: tape.healthy(),
                events: events.clone(),
                between: Arc::clone(&between),
                stop: stopped,
                listener,
                troubles: Troubles::default(),
                tee: copy.tee.subscribe(),
            };
            self.open.push(Line { analyzer, spec, link, bound, between, stop, copy });
            let step = debug_span!("hearing", analyzer = %hearing.analyzer);
            tasks.spawn(async move {
                hearing.run().instrument(step).await;
                Ok(())
            });
        }
        for line in &mut self.open {
            if let Some(analyzer) = bench.analyzer(&line.analyzer) {
                line.copy.set(bench, analyzer, events, tasks).await;
            }
        }
        Ok(())
    }

    /// Tells every line to stop.
    pub fn stop(&self) {
        for line in &self.open {
            line.stop.send_replace(true);
        }
    }

    /// Where they listen, in the order of the bench's analyzers.
    pub fn bound(&self, bench: &Bench) -> Vec<Bound> {
        self.of(bench).filter_map(|line| line.bound.clone()).collect()
    }

    /// What each shares with who reads its tape, in the order of the bench's analyzers.
    pub fn between(&self, bench: &Bench) -> Vec<Arc<Between>> {
        self.of(bench).map(|line| line.between.clone()).collect()
    }

    fn of(&self, bench: &Bench) -> impl Iterator<Item = &Line> {
        bench.analyzers.iter().filter_map(|a| self.open.iter().find(|line| line.analyzer == a.id))
    }
}

/// Binds the address of a line on which the analyzer connects to us.
async fn listener(analyzer: &Analyzer) -> Result<Option<(Listener, Bound)>, StoreError> {
    if !matches!(analyzer.line.kind, LineKind::Listen { .. }) {
        return Ok(None);
    }
    let open = |e: std::io::Error| StoreError::Open {
        what: format!("the line of {}", analyzer.id),
        why: e.to_string(),
    };
    let listener = Listener::bind(&analyzer.line).await.map_err(open)?;
    let address = listener.local_addr().map_err(open)?.to_string();
    Ok(Some((listener, Bound { analyzer: analyzer.id.clone(), address })))
}
