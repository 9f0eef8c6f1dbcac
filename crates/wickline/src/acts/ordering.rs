//! What a source asks, told or merged, taken in: one message, one transaction, its answer kept with it. Whoever listens
//! sends the answer only then.

use std::collections::{BTreeMap, BTreeSet};

use wickline_forward::orders::{
    self as messages, Answers, Decided, Fault, Incoming, Now, OrderMessage, Patient, References,
    Stamp, Unread,
};
use wickline_normalize::orders::{Deed, Key, Order, Orders, Reply};
use wickline_normalize::{Moment, Private};

use super::meeting;
use crate::clock;
use crate::digest;
use crate::settings::bench::{Bench, Source};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows;
use crate::store::rows::notice::{self, Kind};
use crate::store::rows::order::{self, Answered, Kept, Which};
use crate::store::rows::question::{self, Said};
use crate::store::trail::{Act, Actor, record};
use crate::texts::say;

const SECOND: i64 = 1_000_000;

/// What became of one message, for those who watch. No value of it is in here but its own number.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    pub answers: Answered,
    /// Orders taken and refused: what is told of patients is none.
    pub taken: usize,
    pub refused: usize,
    /// Which, and why.
    pub why: Option<String>,
    /// It came before, byte by byte: the kept answer goes back.
    pub again: bool,
    /// Why nothing of it was read.
    pub fault: Option<String>,
    /// Not even its head was: no answer can name it.
    pub nameless: bool,
    /// Reports that go now, because their order came.
    pub released: usize,
}

impl Ledger {
    /// Takes in one message of a source. An error: nothing of it is kept, and nothing may be answered that says so.
    pub async fn order_heard(
        &self,
        bench: &Bench,
        source: &Source,
        bytes: &[u8],
    ) -> Result<Heard, StoreError> {
        let incoming = match messages::read(bytes, &source.site) {
            Ok(incoming) => incoming,
            Err(unread) => return refused(bench, source, &unread),
        };
        let mut write = self.act().await?;
        order::alone(&mut write).await?;
        let stamp = Stamps::take(&mut write, bench).await?;
        let digest = digest::of_bytes(bytes);
        let control_id = envelope(&incoming).control_id.expose().to_owned();
        let name = (source.site.name.as_str(), control_id.as_str(), digest.as_str());
        if let Some(answers) = order::answered(&mut write, name).await? {
            write.commit().await?;
            return Ok(Heard { answers, again: true, ..Heard::default() });
        }
        let mut desk =
            Desk { ledger: self, write: &mut write, bench, source, now: clock::now_us() / SECOND };
        let (heard, verb, became) = match &incoming {
            Incoming::Orders(message) => {
                let heard = desk.orders(message, &stamp).await?;
                let became = say!("kept.taken", n = heard.taken, refused = heard.refused);
                (heard, "order", became)
            }
            Incoming::Update(envelope, patient) => {
                let mut heard = desk.update(patient).await?;
                heard.answers = stamp.told(source, envelope, None)?;
                (heard, "patient", say!("kept.patient_changed"))
            }
            Incoming::Merge(envelope, pairs) => {
                let (mut heard, fault) = desk.merge(pairs).await?;
                let became = match &fault {
                    None => say!("kept.merged"),
                    Some(_) => say!("kept.not_merged"),
                };
                heard.answers = stamp.told(source, envelope, fault)?;
                (heard, "patient", became)
            }
            // Answers to what is asked come where it was asked.
            Incoming::Found(..) => (Heard::default(), "order", say!("kept.answer")),
        };
        order::answer(&mut write, name, &heard.answers, clock::now_us()).await?;
        let object = format!("source {}", source.site.name);
        let (reason, became) = (heard.why.clone(), Some(became.to_string()));
        let act = Act { verb, object, reason, became, ..Act::default() };
        record(&mut write, &Actor::daemon(), act).await?;
        write.commit().await?;
        Ok(heard)
    }
}

fn envelope(incoming: &Incoming) -> &messages::Envelope {
    match incoming {
        Incoming::Orders(message) => &message.envelope,
        Incoming::Update(envelope, _)
        | Incoming::Merge(envelope, _)
        | Incoming::Found(envelope, _) => envelope,
    }
}

fn kept(answers: Answers) -> Answered {
    Answered { accept: answers.accept, application: answers.application }
}

/// The names and the time of the answers to one message.
struct Stamps {
    ids: [String; 2],
    made: Moment,
}

impl Stamps {
    async fn take(write: &mut Write, bench: &Bench) -> Result<Self, StoreError> {
        let (era, first) = (Era::draw()?, take(write, "message", 2).await?);
        let ids = [era.control_id(first), era.control_id(first + 1)];
        Ok(Self { ids, made: bench.clock.moment(clock::now_us()) })
    }

    fn stamp(&self) -> Stamp<'_> {
        let [accept, application] = &self.ids;
        Stamp { control_ids: [accept, application], made: self.made }
    }

    fn told(
        &self,
        source: &Source,
        envelope: &messages::Envelope,
        fault: Option<Fault>,
    ) -> Result<Answered, StoreError> {
        messages::told(envelope, fault, &source.site, self.stamp()).map(kept).map_err(unanswerable)
    }
}

/// The answer to what could not be read, or not be kept: nothing of it is kept, so it takes no number of the ledger's.
fn refused(bench: &Bench, source: &Source, unread: &Unread) -> Result<Heard, StoreError> {
    let (era, made) = (Era::draw()?, bench.clock.moment(clock::now_us()));
    let stamps = Stamps { ids: [era.control_id(0), era.control_id(1)], made };
    let answers = messages::refused(unread, &source.site, stamps.stamp()).transpose();
    let answers = answers.map_err(unanswerable)?.unwrap_or_default();
    let fault = Some(unread.fault.to_string());
    let nameless = unread.envelope.is_none();
    Ok(Heard { answers: kept(answers), fault, nameless, ..Heard::default() })
}

/// No answer can be written: then nothing is kept either.
pub(super) fn unanswerable(fault: wickline_forward::EncodeFault) -> StoreError {
    StoreError::Wrong { what: "the answer to an order".into(), why: fault.to_string() }
}

/// One message at work.
struct Desk<'a> {
    ledger: &'a Ledger,
    write: &'a mut Write,
    bench: &'a Bench,
    source: &'a Source,
    /// Seconds of UTC.
    now: i64,
}

/// Orders as they were before a message, to keep what it changed.
struct Before {
    rows: BTreeMap<Key, Kept>,
    merges: BTreeSet<(Private, Private)>,
}

/// Which orders of a message were refused and why, for who asks at night what became of them: nothing else is kept of
/// them. By their places in it, for the trail names no order by a number that its source gave.
fn refusals(replies: &[Reply]) -> Option<String> {
    const MOST: usize = 10;
    let refused = replies.iter().enumerate().filter_map(|(nth, reply)| {
        Some(format!("order {} of the message: {}", nth + 1, reply.done.err()?.code()))
    });
    let why = refused.take(MOST).collect::<Vec<_>>().join("; ");
    (!why.is_empty()).then_some(why)
}

/// What goes back of an order under the id that its patient has: who describes that patient later may go by an older
/// one.
fn known_as(said: &References, now: &Order, row: Option<&Kept>) -> Result<References, StoreError> {
    let id = now.wanted.as_ref().and_then(|wanted| Some(&wanted.patient.as_ref()?.id));
    let is_its =
        |references: &References| id.is_none_or(|id| references.patient_id.text() == id.expose());
    let before = row.filter(|_| !is_its(said)).map(references).transpose()?;
    Ok(match before.filter(is_its) {
        Some(before) => said.clone().with_id_of(&before),
        None => said.clone(),
    })
}

impl Desk<'_> {
    async fn read(&mut self, mut which: Which) -> Result<(Orders, Before), StoreError> {
        let merges = order::merges(self.write).await?;
        for patient in which.patients.clone() {
            which.patients.extend(the_same(&merges, &patient));
        }
        let rows = order::load(self.write, &which).await?;
        let orders = Orders::new(rows.iter().map(|one| one.order.clone()), merges.clone());
        let rows = rows.into_iter().map(|one| (one.order.key.clone(), one)).collect();
        Ok((orders, Before { rows, merges: merges.into_iter().collect() }))
    }

    async fn orders(
        &mut self,
        message: &OrderMessage,
        stamp: &Stamps,
    ) -> Result<Heard, StoreError> {
        let site = &self.source.site;
        let keys = message.keys(site);
        let mut which =
            Which { keys: keys.iter().flatten().cloned().collect(), ..Which::default() };
        for line in &message.orders {
            which.specimens.extend(message.specimen_ids(line, site));
        }
        which.patients.extend(message.patient.iter().map(|patient| patient.person.id.clone()));
        let asked = question::asked(self.write, &site.name, &which.specimens).await?;
        let (mut orders, before) = self.read(which).await?;
        let decided = {
            let local = |at: &Moment| self.bench.clock.us(*at).map(|us| us.div_euclid(SECOND));
            let now = Now {
                seconds: self.now,
                local: &local,
                queried: &|specimen| asked.contains(specimen),
                of_material: &|id| {
                    let mut rules = self.bench.analyzers.iter().map(|analyzer| &analyzer.rules);
                    rules.any(|own| own.control_specimen(id).is_some() || own.is_external(id))
                },
            };
            message.take(&mut orders, site, &self.bench.orders.rules, &now)
        };
        let mut heard = Heard::default();
        if let Decided::NoWork(specimens) = &decided {
            for specimen in specimens {
                let of = (site.name.as_str(), specimen);
                question::note(self.write, of, Said::NoWork, clock::now_us()).await?;
            }
        }
        if let Decided::Orders(replies) = &decided {
            heard.taken = replies.iter().filter(|reply| reply.done.is_ok()).count();
            heard.refused = replies.len() - heard.taken;
            heard.why = refusals(replies);
            let mut said = self.said(message, &keys, replies, &before)?;
            if let Some(patient) = &message.patient {
                let deeds = replies.iter().flat_map(|reply| &reply.deeds);
                for (key, own) in Self::renamed(&before, patient, deeds)? {
                    let amended = said.remove(&key).map(|new| new.with_patient_of(&own));
                    said.insert(key, amended.unwrap_or(own));
                }
            }
            self.keep(&before, &orders, &said).await?;
            let deeds = replies.iter().flat_map(|reply| &reply.deeds);
            heard.released = self.done(&orders, deeds).await?;
        }
        let answers = message.answers(&decided, site, stamp.stamp()).map_err(unanswerable)?;
        heard.answers = kept(answers);
        Ok(heard)
    }

    /// What goes back with the results of orders that this message brought or changed.
    fn said(
        &self,
        message: &OrderMessage,
        keys: &[Option<Key>],
        replies: &[Reply],
        before: &Before,
    ) -> Result<BTreeMap<Key, References>, StoreError> {
        let mut all = BTreeMap::new();
        for ((line, key), reply) in message.orders.iter().zip(keys).zip(replies) {
            let Some(key) = key else { continue };
            let said = || References::of(message, line, &self.source.site);
            if reply.deeds.contains(&Deed::Keep(key.clone())) {
                all.insert(key.clone(), said());
            } else if let (true, Some(row)) =
                (reply.deeds.contains(&Deed::Amend(key.clone())), before.rows.get(key))
            {
                // Whose it is changes by the one rule for that, and by nothing else.
                all.insert(key.clone(), said().with_patient_of(&references(row)?));
            }
        }
        Ok(all)
    }

    /// The same of orders whose patient is another, or has another name now.
    fn renamed<'d>(
        before: &Before,
        patient: &Patient,
        deeds: impl Iterator<Item = &'d Deed>,
    ) -> Result<BTreeMap<Key, References>, StoreError> {
        let mut said = BTreeMap::new();
        for deed in deeds {
            let Deed::Person(key) = deed else { continue };
            let Some(row) = before.rows.get(key) else { continue };
            let own: References = references(row)?;
            said.insert(key.clone(), own.with_patient(patient));
        }
        Ok(said)
    }

    async fn update(&mut self, patient: &Patient) -> Result<Heard, StoreError> {
        let which = Which { patients: [patient.person.id.clone()].into(), ..Which::default() };
        let (mut orders, before) = self.read(which).await?;
        let deeds = orders.update(&patient.person, self.now);
        let said = Self::renamed(&before, patient, deeds.iter())?;
        self.keep(&before, &orders, &said).await?;
        let released = self.done(&orders, deeds.iter()).await?;
        Ok(Heard { released, ..Heard::default() })
    }

    async fn merge(
        &mut self,
        pairs: &[(messages::Given, Patient)],
    ) -> Result<(Heard, Option<Fault>), StoreError> {
        let mut which = Which::default();
        for (gone, stays) in pairs {
            which.patients.extend([gone.private(), stays.person.id.clone()]);
        }
        let (mut orders, before) = self.read(which).await?;
        let Ok(deeds) = messages::merge(&mut orders, pairs, self.now) else {
            return Ok((Heard::default(), Some(messages::circle())));
        };
        let mut said = BTreeMap::new();
        for (_, stays) in pairs {
            let own = |key: &Key| {
                let order = orders.get(key).and_then(|order| order.wanted.as_ref());
                order
                    .and_then(|wanted| wanted.patient.as_ref())
                    .is_some_and(|p| p.id == stays.person.id)
            };
            let of = deeds.iter().filter(|deed| matches!(deed, Deed::Person(key) if own(key)));
            said.extend(Self::renamed(&before, stays, of)?);
        }
        self.keep(&before, &orders, &said).await?;
        let released = self.done(&orders, deeds.iter()).await?;
        Ok((Heard { released, ..Heard::default() }, None))
    }

    /// Keeps every order that is not what it was, and who became whom.
    async fn keep(
        &mut self,
        before: &Before,
        orders: &Orders,
        said: &BTreeMap<Key, References>,
    ) -> Result<(), StoreError> {
        // As they came: of two in one message the later one has the higher number.
        let mut came: Vec<_> = orders.iter().collect();
        came.sort_by_key(|order| order.n);
        for now in came {
            let row = before.rows.get(&now.key);
            let said = said.get(&now.key).map(|own| known_as(own, now, row)).transpose()?;
            let said = said.map(|own| rows::kept("wants_back", &own)).transpose()?;
            let before = row.and_then(|row| row.wants_back.clone());
            let wants_back = said.or_else(|| before.clone());
            if row.is_none_or(|row| row.order != *now) || wants_back != before {
                let n = row.map(|row| row.n);
                meeting::keep(self.write, self.bench, n, now, wants_back.as_deref()).await?;
            }
        }
        for (gone, stays) in orders.merged() {
            if !before.merges.contains(&(gone.clone(), stays.clone())) {
                order::merged(self.write, gone, stays, self.now).await?;
            }
        }
        Ok(())
    }

    /// Does with reports what the machine says, in its order. How many go now.
    async fn done<'d>(
        &mut self,
        orders: &Orders,
        deeds: impl Iterator<Item = &'d Deed>,
    ) -> Result<usize, StoreError> {
        let mut released = 0;
        for deed in deeds {
            match deed {
                Deed::DrawBack(key) => {
                    for n in self.reports_of(key).await? {
                        self.ledger.draw_back(self.write, self.bench, n).await?;
                    }
                }
                Deed::JudgeAgain(key) => {
                    let specimens = orders.get(key).and_then(|order| order.wanted.as_ref());
                    let specimens = specimens.map(|wanted| wanted.specimens.clone());
                    for specimen in specimens.unwrap_or_default() {
                        for n in order::held_of(self.write, specimen.expose()).await? {
                            let goes = self.ledger.meet_again(self.write, self.bench, n).await?;
                            released += usize::from(goes);
                        }
                        let since = (self.now - self.bench.orders.rules.oldest) * SECOND;
                        for n in order::out_of(self.write, specimen.expose(), since).await? {
                            if self.ledger.answered_before(self.write, self.bench, n).await? {
                                self.tell_person(Kind::OrderLate, key).await?;
                            }
                        }
                    }
                }
                Deed::Person(key) => {
                    for n in self.reports_of(key).await? {
                        self.ledger.told_anew(self.write, self.bench, n).await?;
                    }
                }
                Deed::TellPerson(key) => self.tell_person(Kind::OrderOut, key).await?,
                Deed::NumberTwice(key) => self.tell_person(Kind::OrderNumberTwice, key).await?,
                Deed::NumberShared(key) => self.tell_of_key(key).await?,
                // Nothing holds back what is out: without this nobody would hear of it.
                Deed::Dispute(key)
                    if orders.get(key).is_some_and(|order| order.trace.is_past_recall()) =>
                {
                    self.tell_person(Kind::OrderClaimed, key).await?;
                }
                // They stand in the order's row, which is kept; a person sees them in its list.
                Deed::Keep(_)
                | Deed::Amend(_)
                | Deed::KeepNumber(_)
                | Deed::Stand(..)
                | Deed::Dispute(_)
                | Deed::Note(_) => {}
            }
        }
        Ok(released)
    }

    /// What nothing here can put right stands on each sheet until somebody has seen to it: each order by our own number
    /// of it, without anything of a patient.
    async fn tell_person(&mut self, kind: Kind, key: &Key) -> Result<(), StoreError> {
        let Some(n) = self.number_of(key).await? else { return Ok(()) };
        let name = &key.source;
        let own = order::own_name(n, name);
        let detail = match kind {
            Kind::OrderNumberTwice => say!("notice.number_twice", name = name, n = n),
            Kind::OrderClaimed => say!("notice.claimed", name = name, n = n),
            Kind::OrderLate => say!("notice.late", name = name, n = n),
            _ => say!("notice.closed", name = name, n = n),
        };
        notice::put(self.write, kind, &own, &detail.to_string()).await.map(drop)
    }

    /// Several orders of one patient under one number: of a source whose `order_key` is wrong that is every second
    /// order, so one notice says it of all of them.
    async fn tell_of_key(&mut self, key: &Key) -> Result<(), StoreError> {
        let Some(n) = self.number_of(key).await? else { return Ok(()) };
        let name = &key.source;
        let detail = say!("notice.shared_number", name = name, n = n).to_string();
        let of = format!("orders of {name}");
        notice::put(self.write, Kind::OrderNumberTwice, &of, &detail).await.map(drop)
    }

    async fn number_of(&mut self, key: &Key) -> Result<Option<i64>, StoreError> {
        let which = Which { keys: [key.clone()].into(), ..Which::default() };
        Ok(order::load(self.write, &which).await?.pop().map(|kept| kept.n))
    }

    async fn reports_of(&mut self, key: &Key) -> Result<Vec<i64>, StoreError> {
        let which = Which { keys: [key.clone()].into(), ..Which::default() };
        let mut found = Vec::new();
        for kept in order::load(self.write, &which).await? {
            found.extend(order::reports_of(self.write, kept.n).await?);
        }
        Ok(found)
    }
}

/// What is answered where nothing can be kept now and the source wants to be told so: a no that blames nothing on what
/// it sent.
#[must_use]
pub fn not_kept(bench: &Bench, source: &Source, bytes: &[u8]) -> Heard {
    let envelope = match messages::read(bytes, &source.site) {
        Ok(incoming) => Some(envelope(&incoming).clone()),
        Err(unread) => unread.envelope,
    };
    let unread = Unread { envelope, kind: None, fault: messages::not_kept() };
    refused(bench, source, &unread).unwrap_or_default()
}

/// Everybody who was found to be this patient, or whom this patient was found to be.
fn the_same(merges: &[(Private, Private)], patient: &Private) -> BTreeSet<Private> {
    let mut same: BTreeSet<Private> = [patient.clone()].into();
    loop {
        let more = merges.iter().flat_map(|(gone, stays)| {
            let linked = same.contains(gone) || same.contains(stays);
            linked.then(|| [gone.clone(), stays.clone()])
        });
        let more: BTreeSet<Private> = more.flatten().collect();
        let before = same.len();
        same.extend(more);
        if same.len() == before {
            return same;
        }
    }
}

/// What goes back with an order's result, as it was kept.
pub(super) fn references(row: &Kept) -> Result<References, StoreError> {
    let text = row.wants_back.as_deref().unwrap_or("{}");
    rows::at("lab_order", row.n).json("wants_back", text)
}

/// Takes out who the patient of a closed order is. Its id stays: by it a specimen id that is used again is noticed.
fn forget(row: &mut Kept) -> Result<(), StoreError> {
    row.wants_back = Some(rows::kept("wants_back", &references(row)?.without_patient())?);
    row.order.forget_patient();
    Ok(())
}

impl Ledger {
    /// How many orders of a source wait.
    pub async fn orders_open(&self, source: &str) -> Result<i64, StoreError> {
        let mut moment = self.db.moment().await?;
        let open = order::open_of(&mut moment, source).await?;
        moment.commit().await?;
        Ok(open)
    }

    /// Lets orders expire whose strip did not come in time, and forgets what closed ones say of patients once the
    /// laboratory wants that. How many expired, and whether anything was forgotten.
    pub async fn orders_tidied(&self, bench: &Bench) -> Result<(usize, bool), StoreError> {
        let mut write = self.act().await?;
        order::alone(&mut write).await?;
        let now = clock::now_us() / SECOND;
        let mut expired = 0;
        let rules = &bench.orders.rules;
        let mut after = (i64::MIN, 0);
        loop {
            let overdue = order::overdue(&mut write, now, after).await?;
            let Some(last) = overdue.last() else { break };
            after = (last.order.deadline(rules), last.n);
            for row in overdue {
                let mut orders = Orders::new([row.order.clone()], []);
                let over = !orders.expire(&bench.orders.rules, now).is_empty();
                expired += usize::from(over);
                if let (true, Some(order)) = (over, orders.get(&row.order.key)) {
                    let wants_back = row.wants_back.as_deref();
                    meeting::keep(&mut write, bench, Some(row.n), order, wants_back).await?;
                }
            }
        }
        let before = clock::now_us() - bench.orders.patient_keep * SECOND;
        let named = match bench.orders.keeps_names {
            true => order::to_forget(&mut write, before / SECOND).await?,
            false => order::named(&mut write).await?,
        };
        if !bench.orders.keeps_names && !named.is_empty() {
            // Stored before the laboratory wanted none: the answers name them too.
            order::forget_answers(&mut write, clock::now_us()).await?;
        }
        let mut forgotten = !named.is_empty();
        for mut row in named {
            forget(&mut row)?;
            let wants_back = row.wants_back.as_deref();
            meeting::keep(&mut write, bench, Some(row.n), &row.order, wants_back).await?;
        }
        forgotten |= order::forget_answers(&mut write, before).await? > 0;
        question::forget(&mut write, before).await?;
        write.commit().await?;
        Ok((expired, forgotten))
    }

    /// Judges what is held for its orders again: those of another daemon's sources may have come.
    pub async fn orders_met_again(&self, bench: &Bench) -> Result<usize, StoreError> {
        let mut write = self.act().await?;
        order::alone(&mut write).await?;
        let mut released = 0;
        for n in order::held_for_orders(&mut write).await? {
            released += usize::from(self.meet_again(&mut write, bench, n).await?);
        }
        write.commit().await?;
        Ok(released)
    }
}
