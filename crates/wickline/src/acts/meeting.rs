//! A strip meets the orders of its specimen. Every road on which results begin to be told passes here: a fresh print,
//! an id that a person gave, a print that was read again, a hold that was lifted.

use wickline_forward::hl7::FillerNumber;
use wickline_forward::orders::{Given, References};
use wickline_normalize::orders::{Heard, Key, Meet, Order, Orders, Trace, Unordered, Wait};
use wickline_normalize::readings::Reading;
use wickline_normalize::report::Text;
use wickline_normalize::{Hold, Private, Reason, Report, Role};

use super::compose::{self, Subject};
use super::door::{self, Asked};
use super::facts::{Known, whole};
use super::order_number::{self, Number};
use super::ordering::references;
use super::telling::{Saying, Word};
use crate::clock;
use crate::settings::bench::{Bench, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows;
use crate::store::rows::hold::OpenHold;
use crate::store::rows::order::{self, Kept, Link, Which};
use crate::store::rows::report::{self, ReportRow};
use crate::store::rows::{hold, message};
use crate::store::state::{MessageState, ReportState};
use crate::store::trail::{Act, Actor, record};
use crate::texts::say;

/// What a strip shows to the orders of its specimen.
pub(crate) struct Strip<'a> {
    /// The analyzer, and which strip it read there.
    pub of: (&'a str, &'a str),
    pub specimen: Option<&'a str>,
    pub print: &'a Report,
    pub readings: &'a Vec<Reading>,
    /// In microseconds, by whichever clock is believed.
    pub taken: i64,
    pub control: bool,
}

impl<'a> Strip<'a> {
    /// A report as the ledger has it.
    pub fn of(bench: &Bench, row: &'a ReportRow) -> Self {
        let taken = row.taken.and_then(|taken| bench.clock.us(taken));
        Self {
            of: (&row.analyzer, &row.strip),
            specimen: row.specimen.as_deref(),
            print: &row.print,
            readings: &row.readings,
            taken: taken.unwrap_or(row.heard_at),
            control: row.is_control(),
        }
    }

    /// The specimen whose orders it meets, where orders are taken in and it may have one.
    fn asked_of(&self, bench: &Bench) -> Option<&'a str> {
        let specimen = self.specimen.map(str::trim).filter(|specimen| !specimen.is_empty());
        specimen.filter(|_| bench.has_orders() && !self.control)
    }
}

/// What became of that.
#[derive(Debug)]
pub(crate) enum Met {
    /// Nothing here is said of orders: none are taken in, it is no patient's, it has no id, or it may go without.
    Nothing,
    /// It goes, and answers these.
    Goes(Shares),
    /// A person is asked.
    Waits(Hold),
}

impl Met {
    pub fn hold(&self) -> Option<&Hold> {
        match self {
            Met::Waits(hold) => Some(hold),
            Met::Nothing | Met::Goes(_) => None,
        }
    }
}

/// The orders that a strip answers.
#[derive(Debug)]
pub(crate) struct Shares {
    each: Vec<Share>,
    /// Pads that none of them asked go too: they have the report's own OBR-3, and each order one of its own.
    apart: bool,
}

/// What one order gets.
#[derive(Debug)]
pub(crate) struct Share {
    kept: Kept,
    pads: Vec<String>,
    /// Something was told under its number and taken back.
    follows: bool,
}

impl Share {
    fn link(&self, filler: String) -> Link {
        let (order, source) = (self.kept.n, self.kept.order.key.source.clone());
        let (pads, wants_back) = (self.pads.clone(), self.kept.wants_back.clone());
        Link { order, source, pads, filler, wants_back }
    }
}

impl Met {
    /// Its orders as they would stand in a message, to measure with whether it can be built: each under a number of its
    /// own, as `bind` gives them.
    pub fn measured(&self, era: &Era) -> Vec<Link> {
        self.under((0..=i64::MAX).rev().map(|n| era.filler(n)))
    }

    /// Its orders as they would stand in a message under these numbers, of which the report has the first.
    pub fn under(&self, numbers: impl Iterator<Item = String>) -> Vec<Link> {
        match self {
            Met::Goes(Shares { each, apart }) => {
                let numbers = numbers.skip(usize::from(*apart));
                each.iter().zip(numbers).map(|(one, n)| one.link(n)).collect()
            }
            Met::Nothing | Met::Waits(_) => Vec::new(),
        }
    }

    /// It goes under a number under which something else was told, and taken back.
    pub fn follows(&self) -> bool {
        matches!(self, Met::Goes(shares) if shares.each.iter().any(|share| share.follows))
    }

    /// The orders that it answers, each by its source and its number there.
    pub fn answers(&self) -> Vec<(&str, &str)> {
        let shares = match self {
            Met::Goes(shares) => shares.each.as_slice(),
            Met::Nothing | Met::Waits(_) => &[],
        };
        let keys = shares.iter().map(|one| &one.kept.order.key);
        keys.map(|key| (key.source.as_str(), order::called(key))).collect()
    }
}

/// What the orders of its specimen say of a strip, read inside the write that acts upon it.
pub(crate) async fn meet(
    write: &mut Write,
    bench: &Bench,
    strip: &Strip<'_>,
) -> Result<Met, StoreError> {
    if strip.asked_of(bench).is_some() {
        order::alone(write).await?;
    }
    would_meet(write, bench, strip).await
}

/// The same for somebody who only looks: what would be said now.
async fn would_meet(
    moment: &mut Write,
    bench: &Bench,
    strip: &Strip<'_>,
) -> Result<Met, StoreError> {
    let Some(specimen) = strip.asked_of(bench) else { return Ok(Met::Nothing) };
    let specimen = Private::new(specimen);
    let which = Which { specimens: [specimen.clone()].into(), ..Which::default() };
    let rows = order::load(moment, &which).await?;
    let merges = order::merges(moment).await?;
    let orders = Orders::new(rows.iter().map(|one| one.order.clone()), merges);
    let mut pads: Vec<Text> =
        strip.readings.iter().filter_map(|r| r.analyte.as_deref().map(Text::from)).collect();
    pads.sort_unstable();
    pads.dedup();
    let (analyzer, name) = strip.of;
    let known = bench.analyzer(analyzer).and_then(|a| a.strips.iter().find(|s| s.id == name));
    let optional = known.iter().flat_map(|strip| &strip.pads).filter(|pad| pad.optional);
    let optional: Vec<Text> = optional.map(|pad| Text::from(pad.id.as_str())).collect();
    let heard = Heard {
        optional: &optional,
        specimen: &specimen,
        patient: strip.print.patient.as_ref().and_then(|patient| patient.id.as_ref()),
        pads: &pads,
        taken: Some(strip.taken.div_euclid(1_000_000)),
        control: false,
    };
    let now = clock::now_us().div_euclid(1_000_000);
    let one = |each: Vec<Share>| of_one_patient(each, &rows, &orders);
    let share = |key: &Key, pads: Vec<String>| -> Option<Share> {
        let kept = rows.iter().find(|one| one.order.key == *key)?.clone();
        Some(Share { kept, pads, follows: false })
    };
    let named = |pads: &[Text]| pads.iter().map(ToString::to_string).collect::<Vec<_>>();
    let met = match orders.meet(&heard, &bench.orders.rules, now) {
        Meet::Control => Met::Nothing,
        Meet::Goes { shares, .. } => {
            let each = shares.iter().filter_map(|one| share(&one.key, named(&one.pads)));
            under_numbers(moment, bench, (one(each.collect())?, &pads), false).await?
        }
        Meet::Again(keys) => {
            let asked = |one: &Kept| one.order.wanted.as_ref().map(|w| named(&w.pads));
            let pads_of = |key: &Key| rows.iter().find(|one| one.order.key == *key).and_then(asked);
            let each = keys.iter().filter_map(|key| share(key, pads_of(key).unwrap_or_default()));
            under_numbers(moment, bench, (one(each.collect())?, &pads), true).await?
        }
        Meet::Waits(Wait::SpecimenUnknown) if bench.orders.sends_without => Met::Nothing,
        Meet::Waits(wait) => Met::Waits(Hold::new(wait.reason(), wait.words())),
    };
    Ok(unsayable(bench, strip, &met).map_or(met, Met::Waits))
}

/// The orders of one strip are of one patient, and go with one: where a merge made two ids one, with who stayed, if any
/// order of the specimen names that one.
fn of_one_patient(
    mut each: Vec<Share>,
    rows: &[Kept],
    orders: &Orders,
) -> Result<Vec<Share>, StoreError> {
    let id = |references: &References| Private::new(references.patient_id.text());
    let mut stayed = None;
    for one in rows.iter().map(references) {
        let one = one?;
        let own = id(&one);
        stayed = stayed.or((*orders.true_id(&own) == own && !own.is_empty()).then_some(one));
    }
    let Some(stayed) = stayed else { return Ok(each) };
    for share in &mut each {
        let own = references(&share.kept)?;
        if own.patient_id.is_said()
            && *orders.true_id(&id(&own)) == id(&stayed)
            && own.patient_id != stayed.patient_id
        {
            let own = own.with_patient_of(&stayed);
            share.kept.wants_back = Some(rows::kept("wants_back", &own)?);
        }
    }
    Ok(each)
}

/// What of its orders cannot be said to some receiver, where all the rest can. It is their source's to mend, and not
/// our reading's: it goes once they say it otherwise.
fn unsayable(bench: &Bench, strip: &Strip<'_>, met: &Met) -> Option<Hold> {
    let era = Era::measure();
    let orders = met.measured(&era);
    let (analyzer, name) = strip.of;
    let (filler, id) = (era.filler(i64::MAX), era.control_id(i64::MAX));
    let bare = Subject {
        analyzer,
        serial: None,
        filler: &filler,
        specimen: strip.specimen.unwrap_or_default(),
        stat: false,
        print: strip.print,
        readings: strip.readings,
        strip: name,
        heard_at: strip.taken,
        taken: None,
        clock_believed: false,
        remarks: &[],
        control: None,
        orders: &[],
    };
    let fault = |target: &Target, subject: &Subject<'_>| {
        compose::message(bench, target, &id, strip.taken, subject).err()
    };
    let mut targets = bench.targets_of(analyzer, Role::Patient).filter(|_| !orders.is_empty());
    targets.find_map(|target| {
        let why = fault(target, &Subject { orders: &orders, ..bare })?.detail;
        fault(target, &bare).is_none().then(|| Hold::new(Reason::OrderUnsayable, why))
    })
}

/// A receiver that goes by the numbers of orders would take one strip's result for another's: it goes there only where
/// nothing stands under them, or what was told is taken back.
async fn under_numbers(
    write: &mut Write,
    bench: &Bench,
    (each, pads): (Vec<Share>, &[Text]),
    again: bool,
) -> Result<Met, StoreError> {
    let is_asked =
        |pad: &Text| each.iter().any(|share| share.pads.iter().any(|own| **own == **pad));
    let sends = bench.orders.rules.unordered == Unordered::Send;
    let apart = sends && !pads.iter().all(is_asked);
    if let Some(hold) = each.iter().find_map(|share| taken_out(bench, share)) {
        return Ok(Met::Waits(hold));
    }
    let mut shares = Shares { each, apart };
    if bench.targets.iter().all(|target| target.layout.filler == FillerNumber::Ours) {
        return Ok(Met::Goes(shares));
    }
    for share in &mut shares.each {
        match order_number::stands(write, bench, &share.link(String::new()), (0, "")).await? {
            Number::TakenBack => share.follows = true,
            Number::Unused if !again => {}
            Number::Twin(other) => {
                let why = format!(
                    "its order brought the number that order {other} of ours brought too, and a receiver goes by that \
                     number: have its source order it anew under a number of its own"
                );
                return Ok(Met::Waits(Hold::new(Reason::OrderAmbiguous, why)));
            }
            Number::Unused | Number::InUse => {
                let why = "a result stands under the number of its order, or is on its way there, and a receiver \
                           goes by that number";
                return Ok(Met::Waits(Hold::new(Reason::OrderAmbiguous, why)));
            }
        }
    }
    Ok(Met::Goes(shares))
}

/// A person looks where the laboratory has taken out what an order asks since it came.
fn taken_out(bench: &Bench, share: &Share) -> Option<Hold> {
    let order = &share.kept.order;
    let source = bench.sources.iter().find(|source| source.site.name == order.key.source)?;
    let test = Given::kept(order.wanted.as_ref()?.test.expose());
    let why = "what its order asks is not among the `tests` of its source any more";
    source.site.pads(&test).is_none().then(|| Hold::new(Reason::OrderMismatch, why))
}

impl Ledger {
    /// What the orders of its specimen would say of a strip that is heard now. Nothing is changed by asking.
    pub(crate) async fn would_meet(
        &self,
        bench: &Bench,
        strip: &Strip<'_>,
    ) -> Result<Met, StoreError> {
        let mut moment = self.db.moment().await?;
        let met = would_meet(&mut moment, bench, strip).await?;
        moment.commit().await?;
        Ok(met)
    }
}

/// Notes which orders a report answers, and that they are answered. The first of them goes under the report's own
/// OBR-3, each other under one of its own; where pads go that nobody ordered, the report's own is theirs.
pub(crate) async fn bind(
    write: &mut Write,
    bench: &Bench,
    (root, filler, specimen): (i64, &str, &str),
    Shares { each, apart }: Shares,
) -> Result<Vec<Link>, StoreError> {
    let now = clock::now_us().div_euclid(1_000_000);
    let mut links = Vec::with_capacity(each.len());
    for (at, share) in each.into_iter().enumerate() {
        let filler = match at {
            0 if !apart => filler.to_owned(),
            _ => Era::draw()?.filler(take(write, "report", 1).await?),
        };
        let (link, kept) = (share.link(filler), share.kept);
        order::link(write, root, &link).await?;
        let mut orders = Orders::new([kept.order.clone()], []);
        let by = Private::new(specimen);
        if orders.trace(&kept.order.key, Trace::Waiting, (&by, &link.filler), now)
            && let Some(order) = orders.get(&kept.order.key)
        {
            keep(write, bench, Some(kept.n), order, kept.wants_back.as_deref()).await?;
        }
        links.push(link);
    }
    Ok(links)
}

/// Keeps an order as it is now.
pub(crate) async fn keep(
    write: &mut Write,
    bench: &Bench,
    n: Option<i64>,
    now: &Order,
    wants_back: Option<&str>,
) -> Result<i64, StoreError> {
    order::keep(write, n, now, wants_back, &bench.orders.rules).await
}

/// A report answers no order any more: each of them waits again, if nothing was told of it. `under` is the OBR-3 that
/// the report had.
pub(crate) async fn unbind(
    write: &mut Write,
    bench: &Bench,
    root: i64,
    under: &str,
) -> Result<(), StoreError> {
    let now = clock::now_us().div_euclid(1_000_000);
    let links = order::links(write, root).await?;
    let answered: Vec<i64> = links.iter().map(|link| link.order).collect();
    for kept in order::read(write, &answered).await? {
        let mut orders = Orders::new([kept.order.clone()], []);
        orders.trace(&kept.order.key, Trace::Held, (&Private::default(), ""), now);
        if let Some(order) = orders.get(&kept.order.key) {
            keep(write, bench, Some(kept.n), order, kept.wants_back.as_deref()).await?;
        }
    }
    order::unlink(write, root, under).await
}

/// Keeps where the orders of a report stand, as its results were taken back, set aside, or wanted again.
pub(crate) async fn follow(write: &mut Write, root: i64) -> Result<(), StoreError> {
    let links = order::links(write, root).await?;
    let answered: Vec<i64> = links.iter().map(|link| link.order).collect();
    for kept in order::read(write, &answered).await? {
        order::stands(write, &kept).await?;
    }
    Ok(())
}

/// The orders that a report answers from now on, where its results begin to be told. What was told without an order
/// stays without one.
pub(crate) async fn bound(
    write: &mut Write,
    bench: &Bench,
    row: &ReportRow,
) -> Result<Vec<Link>, StoreError> {
    if !row.orders.is_empty() || !bench.has_orders() || row.is_control() {
        return Ok(row.orders.clone());
    }
    if !message::receivers(write, row.root(), &row.filler).await?.is_empty() {
        return Ok(Vec::new());
    }
    match meet(write, bench, &Strip::of(bench, row)).await? {
        Met::Goes(shares) => {
            let specimen = row.specimen.as_deref().unwrap_or_default();
            bind(write, bench, (row.root(), &row.filler, specimen), shares).await
        }
        Met::Nothing | Met::Waits(_) => Ok(Vec::new()),
    }
}

/// The reason for which a report would have to wait if its results began to be told now, unless a person has let it go
/// in spite of that.
pub(crate) async fn waits(
    write: &mut Write,
    bench: &Bench,
    row: &ReportRow,
    specimen: Option<&str>,
) -> Result<Option<Reason>, StoreError> {
    let same = specimen == row.specimen.as_deref();
    let begins = row.state == ReportState::Held || !same;
    let reason = if same && !row.orders.is_empty() {
        against(write, row).await?
    } else if begins && row.corrects.is_none() && bench.has_orders() {
        let met = meet(write, bench, &Strip { specimen, ..Strip::of(bench, row) }).await?;
        met.hold().map(|hold| hold.reason)
    } else {
        None
    };
    // What a person let it go in spite of was said of the id that it bears.
    let Some(reason) = reason.filter(|_| same) else { return Ok(reason) };
    let released = hold::released(write, row.n).await?;
    Ok(Some(reason).filter(|reason| !released.contains(reason)))
}

/// Why nothing more is said under the orders that a report answers: since then one was taken back, or is disputed.
async fn against(write: &mut Write, row: &ReportRow) -> Result<Option<Reason>, StoreError> {
    let answered: Vec<i64> = row.orders.iter().map(|link| link.order).collect();
    let orders = order::read(write, &answered).await?;
    Ok(orders.iter().find_map(|kept| kept.order.standing.bars()))
}

impl Ledger {
    /// Judges a held report again by the orders of its specimen as they are now. What else holds it stays. True: it
    /// goes.
    pub(crate) async fn meet_again(
        &self,
        write: &mut Write,
        bench: &Bench,
        n: i64,
    ) -> Result<bool, StoreError> {
        let row = whole(write, n).await?;
        if row.state != ReportState::Held || bench.analyzer(&row.analyzer).is_none() {
            return Ok(false);
        }
        let of_orders: Vec<_> = row.holds.iter().filter(|h| h.reason.is_of_orders()).collect();
        let met = meet(write, bench, &Strip::of(bench, &row)).await?;
        let released = hold::released(write, n).await?;
        let wanted = met.hold().filter(|hold| !released.contains(&hold.reason));
        if let Some(wanted) = wanted {
            let same = |own: &&OpenHold| own.reason == wanted.reason && own.detail == wanted.detail;
            if of_orders.iter().any(same) {
                return Ok(false);
            }
            for own in &of_orders {
                hold::clear(write, n, own.ix, false).await?;
            }
            let was = door::codes(&of_orders.iter().map(|own| own.reason).collect::<Vec<_>>());
            hold::add(write, n, wanted.clone()).await?;
            record(write, &Actor::daemon(), held(n, was, wanted.reason)).await?;
            return Ok(false);
        }
        if of_orders.is_empty() {
            return Ok(false);
        }
        let known = Known::met(write, bench, &row, None).await?;
        let why = say!("kept.changed_orders").to_string();
        self.lift(write, bench, (&row, &known), Asked::OrdersChanged, &why).await
    }

    /// A result that went before its order came answers it, and the order waits no longer: what was tried is not sent
    /// again, what nobody has tried goes with the order. True: a receiver has it without the order's number.
    pub(crate) async fn answered_before(
        &self,
        write: &mut Write,
        bench: &Bench,
        n: i64,
    ) -> Result<bool, StoreError> {
        let row = whole(write, n).await?;
        if !row.orders.is_empty() || row.state != ReportState::Waiting || row.is_control() {
            return Ok(false);
        }
        let Met::Goes(shares) = meet(write, bench, &Strip::of(bench, &row)).await? else {
            return Ok(false);
        };
        let specimen = row.specimen.as_deref().unwrap_or_default();
        bind(write, bench, (row.root(), &row.filler, specimen), shares).await?;
        self.told_anew(write, bench, row.root()).await?;
        message::sent(write, n).await
    }

    /// Builds what waits untried under a report's OBR-3, or could not be put into words, anew from what is known now:
    /// its order came, or says something else of its patient. What was tried stays as it is: its receiver may have
    /// it.
    pub(crate) async fn told_anew(
        &self,
        write: &mut Write,
        bench: &Bench,
        root: i64,
    ) -> Result<(), StoreError> {
        for untried in message::untried(write, root).await? {
            let (row, known) = Known::read(write, bench, untried.report).await?;
            // What may not go now is not said in other words either.
            let pass = door::pass(Asked::Deliver, &known.facts(&row));
            let (Ok(pass), Some(_)) = (pass, bench.analyzer(&row.analyzer)) else { continue };
            let word = Word::by(&pass, &row, Saying::Results, untried.why.as_deref())?;
            match self.tell_receiver(write, bench, &word, untried.receiver).await {
                // What could not be said is again what stands there already.
                Ok(outcome) if untried.refused && outcome.message.is_none() => {
                    let arrow = MessageState::Refused.to(MessageState::Waiting)?;
                    message::back_in_queue(write, untried.n, arrow).await?;
                }
                Ok(_) => {}
                // Nothing of it can be said in that receiver's words: a person is asked, whoever told us is answered.
                Err(StoreError::Refused { why }) if !untried.refused => {
                    let arrow = MessageState::Waiting.to(MessageState::Refused)?;
                    message::unsayable(write, untried.n, arrow, &why.to_string()).await?;
                }
                Err(StoreError::Refused { .. }) => {}
                Err(error) => return Err(error),
            }
        }
        // What became refused answers nothing, what left the refused does again.
        follow(write, root).await
    }

    /// Draws back the messages of a report that nobody has tried to send, and holds it by what its orders say now. Its
    /// OBR-3 is not used again: should one of them be on the wire all the same, it can be taken back under it.
    pub(crate) async fn draw_back(
        &self,
        write: &mut Write,
        bench: &Bench,
        n: i64,
    ) -> Result<(), StoreError> {
        let (row, known) = Known::read(write, bench, n).await?;
        let pass = door::pass(Asked::DrawBack, &known.facts(&row))?;
        for open in message::open_of(write, n).await? {
            message::draw_back(write, open, "drawn back before it was sent: its order changed")
                .await?;
        }
        message::retire_all(write, row.root(), &row.filler, row.specimen.as_deref()).await?;
        let anew = Era::draw()?.filler(take(write, "report", 1).await?);
        report::numbered_anew(write, n, &anew).await?;
        report::moved(write, n, pass.arrow()?, row.note.as_deref(), None).await?;
        report::set_unsent(write, n, false).await?;
        unbind(write, bench, row.root(), &row.filler).await?;
        let met = meet(write, bench, &Strip::of(bench, &row)).await?;
        let hold = met
            .hold()
            .cloned()
            .unwrap_or_else(|| Hold::new(Reason::OrderCancelled, Wait::OrderCancelled.words()));
        let act = held(n, "waiting".into(), hold.reason);
        hold::add(write, n, hold).await?;
        record(write, &Actor::daemon(), act).await
    }
}

/// Why the daemon holds a report or lets it go.
fn held(n: i64, was: String, reason: Reason) -> Act {
    Act {
        verb: "hold",
        object: format!("report {n}"),
        reason: Some(say!("kept.changed_orders").to_string()),
        was: Some(was),
        became: Some(reason.code().into()),
    }
}
