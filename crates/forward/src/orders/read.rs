//! A message becomes orders, a merge, changed names, or the answer to a question. Nothing in it is believed to fit.

use wickline_normalize::Moment;
use wickline_normalize::orders::{Ask, Person};

use super::control::{Control, Meaning};
use super::envelope::{self, Envelope, Kind};
use super::fault::{Code, Fault, Location};
use super::given::Given;
use super::groups::{Groups, OrderGroup, Segment, SpecimenGroup};
use super::site::{OrderKey, Profile, Site, SpecimenFrom};
use crate::hl7::{Message, Version};

/// The longest PID.
const PID_MAX: usize = 8 * 1024;
/// The longest number of an order: ORC-2, ORC-3, ORC-4 (EI of 22, HL7 v2.5.1 chapter 4).
const NUMBER_MAX: usize = 22;
/// The longest of what else is kept.
const FIELD_MAX: usize = 1024;

/// What a message is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Incoming {
    /// Orders.
    Orders(Box<OrderMessage>),
    /// A patient is known by something else.
    Update(Envelope, Patient),
    /// Patients are one: from the first to the second.
    Merge(Envelope, Vec<(Given, Patient)>),
    /// An answer to a question of ours.
    Found(Envelope, QueryAnswer),
}

/// A message that cannot be taken: its head, as far as it could be read, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unread {
    /// None: not even that; no answer can be given.
    pub envelope: Option<Envelope>,
    /// What it is, where that is known.
    pub kind: Option<Kind>,
    /// What is wrong.
    pub fault: Fault,
}

/// RSP^K11.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct QueryAnswer {
    /// MSA-1.
    pub code: Given,
    /// MSA-2: our question.
    pub control_id: Given,
    /// QAK-1.
    pub tag: Given,
    /// QAK-2 (table 0208).
    pub status: Given,
}

/// Orders of one patient.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OrderMessage {
    /// Its head.
    pub envelope: Envelope,
    /// Which message.
    pub kind: Kind,
    /// None: control material, or nothing is said.
    pub patient: Option<Patient>,
    /// PV1-2, PV1-3 and PV1-19.
    pub visit: Option<[Given; 3]>,
    /// In their order.
    pub specimens: Vec<Specimen>,
    /// In their order.
    pub orders: Vec<Line>,
}

/// A patient, as a source says it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Patient {
    /// What the machine compares.
    pub person: Person,
    /// Every field of PID from 2 on that came, by number.
    pub fields: Vec<(usize, Given)>,
}

impl Patient {
    /// A field of PID.
    #[must_use]
    pub fn field(&self, n: usize) -> Given {
        let found = self.fields.iter().find(|(number, _)| *number == n);
        found.map(|(_, field)| field.clone()).unwrap_or_default()
    }

    /// Its id alone.
    fn nameless(mut self) -> Self {
        self.fields.retain(|(number, _)| *number == 3);
        let Person { id, number, .. } = self.person;
        Self { person: Person { id, number, ..Person::default() }, ..self }
    }
}

/// A specimen.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Specimen {
    /// Which SPM; 0 where there is none.
    pub nth: usize,
    /// SPM-1.
    pub set: Given,
    /// SPM-2: the placer's half and the filler's.
    pub id: Given,
    /// SPM-3.
    pub parent: Given,
    /// SPM-4.
    pub kind: Given,
    /// SPM-11.
    pub role: Given,
    /// SPM-17.
    pub collected: Given,
    /// SAC-3 and SAC-4, with which SAC it is.
    pub containers: Vec<(usize, [Given; 2])>,
}

/// One order of a message.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Line {
    /// Which ORC.
    pub orc: usize,
    /// Which OBR; 0 where there is none.
    pub obr: usize,
    /// ORC-1. None: no code of the table.
    pub control: Option<Control>,
    /// What it asks. None: nothing that is done here.
    pub ask: Option<Ask>,
    /// ORC-2 or OBR-2.
    pub placer: Given,
    /// ORC-3 or OBR-3.
    pub filler: Given,
    /// OBR-2 and OBR-3 as they stand, where one of them is the specimen's id.
    pub numbers: [Given; 2],
    /// ORC-4.
    pub group: Given,
    /// ORC-6.
    pub flag: Given,
    /// ORC-8 or OBR-29.
    pub parent: Given,
    /// ORC-9.
    pub at: Option<Moment>,
    /// OBR-16 or ORC-12.
    pub provider: Given,
    /// ORC-21.
    pub facility: Given,
    /// OBR-1.
    pub set: Given,
    /// OBR-4, all of its parts.
    pub test: Given,
    /// TQ1-9, ORC-7.6, OBR-27.6 or OBR-5: the first that says something.
    pub priority: Given,
    /// SPM-17, else OBR-7.
    pub collected: Option<Moment>,
    /// OBR-7, as it came.
    pub observed: Given,
    /// OBR-11.
    pub action: Given,
    /// OBR-15.
    pub source: Given,
    /// OBR-18 and OBR-19: what the placer wants back.
    pub back: [Given; 2],
    /// Its specimens, by their place in the message.
    pub specimens: Vec<usize>,
    /// Its container within the first of them.
    pub container: Option<usize>,
    /// Why nothing of it is taken.
    pub fault: Option<Fault>,
}

impl Line {
    /// Up to 2.4 the specimen's role stands in OBR-15.7 (table 0369).
    pub(super) fn says_control(&self) -> bool {
        self.source.value(7) == "Q"
    }
}

/// Reads a message as this source may send it.
pub fn read(bytes: &[u8], site: &Site) -> Result<Incoming, Box<Unread>> {
    let sequence = |words: String| Fault::nowhere(Code::SegmentSequence, words);
    let message = Message::read(bytes)
        .map_err(|words| Box::new(Unread { envelope: None, kind: None, fault: sequence(words) }))?;
    let envelope = Envelope::read(&message);
    let unread = |kind, fault| Box::new(Unread { envelope: Some(envelope.clone()), kind, fault });
    if !site.lenient_lf && has_bare_line_feed(bytes) {
        let words = "Segments end with LF; allowed: CR".to_owned();
        return Err(unread(None, sequence(words)));
    }
    let kind = envelope.kind(&message, site).map_err(|fault| unread(None, fault))?;
    envelope::charset(bytes, &message, site).map_err(|fault| unread(Some(kind), fault))?;
    let head = envelope.clone();
    let incoming = match kind {
        Kind::QueryAnswer => found(&message).map(|found| Incoming::Found(head, found)),
        _ => Groups::read(&message, kind, site.max_orders).and_then(|groups| match kind {
            Kind::Update => update(&message, &groups, site).map(|p| Incoming::Update(head, p)),
            Kind::Merge => mergers(&message, &groups, site).map(|m| Incoming::Merge(head, m)),
            _ => orders(&message, &groups, site, (head, kind))
                .map(|orders| Incoming::Orders(Box::new(orders))),
        }),
    };
    incoming.map_err(|fault| unread(Some(kind), fault))
}

/// A line feed that does not follow a carriage return; the last byte does not count.
fn has_bare_line_feed(bytes: &[u8]) -> bool {
    let text = bytes.strip_suffix(b"\n").unwrap_or(bytes).trim_ascii_start();
    let after = text.windows(2).any(|pair| pair[1] == b'\n' && pair[0] != b'\r');
    after || (bytes.ends_with(b"\n") && !text.contains(&b'\r'))
}

fn found(message: &Message) -> Result<QueryAnswer, Fault> {
    let part = |segment, n| Given::of(message, message.field(segment, 1, n).unwrap_or("")).part(1);
    for (segment, n) in [("MSA", 1), ("MSA", 2), ("QAK", 1)] {
        if part(segment, n).is_empty() {
            return Err(Fault::missing(Location::new(segment, 1, n), "what our question said"));
        }
    }
    Ok(QueryAnswer {
        code: part("MSA", 1),
        control_id: part("MSA", 2),
        tag: part("QAK", 1),
        status: part("QAK", 2),
    })
}

fn update(message: &Message, groups: &Groups<'_>, site: &Site) -> Result<Patient, Fault> {
    let missing = || Fault::missing(Location::new("PID", 1, 0), "one PID");
    patient(message, groups.pids.first().ok_or_else(missing)?, site)
}

fn mergers(
    message: &Message,
    groups: &Groups<'_>,
    site: &Site,
) -> Result<Vec<(Given, Patient)>, Fault> {
    if groups.mergers.is_empty() {
        return Err(Fault::missing(Location::new("MRG", 1, 0), "PID and MRG, each at least once"));
    }
    let mut all = Vec::new();
    for (pids, mrg) in &groups.mergers {
        let pid = pids.checked_sub(1).and_then(|at| groups.pids.get(at));
        let missing = || Fault::missing(Location::new("PID", mrg.nth, 0), "a PID before each MRG");
        let stays = patient(message, pid.ok_or_else(missing)?, site)?;
        let gone = Given::of(message, mrg.field(1));
        let place = Location::new("MRG", mrg.nth, 1);
        let gone = chosen(&gone, site).filter(|id| !id.value(1).is_empty());
        all.push((patient_key(&gone.ok_or_else(|| Fault::missing(place, "a patient id"))?), stays));
    }
    Ok(all)
}

/// The repetition that counts.
fn chosen(ids: &Given, site: &Site) -> Option<Given> {
    let mut all = ids.repetitions();
    match &site.patient_type {
        None => all.next(),
        Some(kind) => all.find(|id| id.value(5) == *kind),
    }
    .filter(Given::is_said)
}

/// Id and who gave it: that is what two patients differ by.
fn patient_key(id: &Given) -> Given {
    let key = format!("{}^^^{}", id.part(1).text(), id.part(4).text());
    Given::kept(key.trim_end_matches('^'))
}

fn patient(message: &Message, pid: &Segment<'_>, site: &Site) -> Result<Patient, Fault> {
    let whole: usize = pid.fields().iter().map(|field| field.len() + 1).sum();
    if whole > PID_MAX {
        let longest = (1..pid.fields().len()).max_by_key(|n| pid.field(*n).len()).unwrap_or(0);
        let words = format!("A PID of {whole} bytes; allowed: {PID_MAX}; nothing is cut");
        return Err(Fault::new(Location::new("PID", pid.nth, longest), Code::DataType, words));
    }
    let given = |n| Given::of(message, pid.field(n));
    let place = |n| Location::new("PID", pid.nth, n);
    let id = chosen(&given(3), site).filter(|id| !id.value(1).is_empty());
    let id =
        id.ok_or_else(|| Fault::missing(place(3), "a patient id, of the type that counts here"))?;
    let names = given(5);
    if !names.is_said() {
        return Err(Fault::missing(place(5), "a name"));
    }
    let legal = |name: &Given| matches!(name.value(7).as_str(), "" | "L");
    let name = names
        .repetitions()
        .find(legal)
        .unwrap_or_else(|| names.repetitions().next().unwrap_or_default());
    let person = Person {
        id: patient_key(&id).private(),
        number: wickline_normalize::Private::new(id.value(1)),
        name: Given::kept(&format!("{}^{}", name.part(1).text(), name.part(2).text())).private(),
        born: given(7).part(1).private(),
        sex: given(8).part(1).private(),
    };
    let fields = (2..pid.fields().len()).map(|n| (n, given(n))).filter(|(_, g)| !g.is_empty());
    let said = Patient { person, fields: fields.collect() };
    Ok(if site.keeps_names { said } else { said.nameless() })
}

fn orders(
    message: &Message,
    groups: &Groups<'_>,
    site: &Site,
    (envelope, kind): (Envelope, Kind),
) -> Result<OrderMessage, Fault> {
    if groups.orders.is_empty() {
        let only_old = message.count("ORC") > 0;
        let code = if only_old { Code::MessageType } else { Code::FieldMissing };
        let words = "No order in it; allowed: an ORC that asks for something";
        return Err(Fault::new(Location::new("ORC", 1, 1), code, words));
    }
    let patient = groups.pids.first().map(|pid| patient(message, pid, site)).transpose()?;
    let visit =
        groups.visit.as_ref().map(|pv1| [2, 3, 19].map(|n| Given::of(message, pv1.field(n))));
    let specimens: Vec<_> = groups.specimens.iter().map(|group| specimen(message, group)).collect();
    let from = site.specimen_from.in_version(envelope.version.unwrap_or(Version::V251));
    let mut lines = Vec::with_capacity(groups.orders.len());
    for group in &groups.orders {
        let mut line = line(message, group, &specimens, (site, from));
        if let Some(fault) = line.fault.take_if(|fault| fault.code == Code::EventCode) {
            return Err(fault);
        }
        let other = group.pid.filter(|at| *at > 0).and_then(|at| groups.pids.get(at));
        if let (Some(pid), Some(own)) = (other, &patient) {
            let same =
                self::patient(message, pid, site).is_ok_and(|p| p.person.id == own.person.id);
            if !same {
                let words = "Another patient than the message's; allowed: one patient in a message";
                let place = Location::new("PID", pid.nth, 3);
                line.fault = Some(Fault::new(place, Code::DataType, words));
            }
        }
        lines.push(line);
    }
    Ok(OrderMessage { envelope, kind, patient, visit, specimens, orders: lines })
}

fn specimen(message: &Message, group: &SpecimenGroup<'_>) -> Specimen {
    let given =
        |n| group.spm.as_ref().map(|spm| Given::of(message, spm.field(n))).unwrap_or_default();
    let container = |sac: &Segment<'_>| (sac.nth, [3, 4].map(|n| Given::of(message, sac.field(n))));
    Specimen {
        nth: group.spm.as_ref().map_or(0, |spm| spm.nth),
        set: given(1),
        id: given(2),
        parent: given(3),
        kind: given(4),
        role: given(11),
        collected: given(17),
        containers: group.sacs.iter().map(container).collect(),
    }
}

/// Reads one order; the first that is wrong with it stands in it as its fault.
fn line(
    message: &Message,
    group: &OrderGroup<'_>,
    specimens: &[Specimen],
    (site, from): (&Site, SpecimenFrom),
) -> Line {
    let orc = |n| Given::of(message, group.orc.field(n));
    let obr =
        |n| group.obr.as_ref().map(|obr| Given::of(message, obr.field(n))).unwrap_or_default();
    let tq1 =
        |n| group.timing.as_ref().map(|tq1| Given::of(message, tq1.field(n))).unwrap_or_default();
    let first = |all: &[Given]| all.iter().find(|g| g.is_said()).cloned().unwrap_or_default();
    let code = match orc(1).value(1) {
        empty if empty.is_empty() && site.absent_is_new => "NW".to_owned(),
        code => code,
    };
    let control = Control::of(&code);
    let mut line = Line {
        orc: group.orc.nth,
        obr: group.obr.as_ref().map_or(0, |obr| obr.nth),
        control,
        ask: control.and_then(|row| row.ask(&orc(5).value(1))),
        placer: first(&[orc(2), obr(2)]),
        filler: first(&[orc(3), obr(3)]),
        numbers: [obr(2), obr(3)],
        group: orc(4),
        flag: orc(6),
        parent: first(&[orc(8), obr(29)]),
        at: None,
        provider: first(&[obr(16), orc(12)]),
        facility: orc(21),
        set: obr(1),
        test: obr(4),
        priority: first(&[tq1(9).part(1), orc(7).part(6), obr(27).part(6), obr(5).part(1)]),
        collected: None,
        observed: obr(7),
        action: obr(11),
        source: obr(15),
        back: [obr(18), obr(19)],
        specimens: group.specimens.clone(),
        container: group.container,
        fault: None,
    };
    let fault = if code.is_empty() {
        Err(Fault::missing(Location::new("ORC", line.orc, 1), "a code of table 0119"))
    } else {
        // The laboratory said that one of the two is no number of the order: it may be another one.
        let other = |place, given: Given| if from == place { Given::default() } else { given };
        let numbers = [
            (orc(2), other(SpecimenFrom::Obr2, obr(2))),
            (orc(3), other(SpecimenFrom::Obr3, obr(3))),
        ];
        numbered(&line, site).and_then(|()| wrong(&line, numbers))
    };
    line.fault = fault.err();
    match times([orc(9), obr(7)], specimens, &line) {
        Ok(times) => [line.at, line.collected] = times,
        Err(fault) => line.fault = line.fault.or(Some(fault)),
    }
    line
}

/// What is asked of an order names it. IHE's analyzer profile has a DC for a specimen without work.
fn numbered(line: &Line, site: &Site) -> Result<(), Fault> {
    let (number, n) = match site.key {
        OrderKey::Filler => (&line.filler, 3),
        OrderKey::Placer | OrderKey::PlacerAndTest => (&line.placer, 2),
    };
    let no_work = site.profile == Profile::Law && line.control.is_some_and(|row| row.code == "DC");
    if number.is_said() || line.ask.is_none() || no_work {
        return Ok(());
    }
    Err(Fault::missing(Location::new("ORC", line.orc, n), "the number of the order"))
}

/// What makes an order one that nothing is taken of.
fn wrong(line: &Line, [placers, fillers]: [(Given, Given); 2]) -> Result<(), Fault> {
    let at = |n| Location::new("ORC", line.orc, n);
    let control = line.control.ok_or_else(|| {
        Fault::new(at(1), Code::TableValue, "No order control code; allowed: those of table 0119")
    })?;
    if control.meaning == Meaning::Answer {
        let words = "An answer to what was not asked; allowed: a request";
        return Err(Fault::new(at(1), Code::EventCode, words));
    }
    for (n, (one, two)) in [(2, placers), (3, fillers)] {
        if one.is_said() && two.is_said() && one != two {
            let words = "Another number than in ORC; allowed: the same, or none";
            return Err(Fault::new(Location::new("OBR", line.obr, n), Code::DataType, words));
        }
    }
    for (n, number) in [(2, &line.placer), (3, &line.filler), (4, &line.group)] {
        if number.text().chars().count() > NUMBER_MAX {
            let words =
                format!("A longer number; allowed: {NUMBER_MAX} characters; nothing is cut");
            return Err(Fault::new(at(n), Code::DataType, words));
        }
    }
    let [one, two] = &line.back;
    for (n, field) in
        [(4, &line.test), (15, &line.source), (16, &line.provider), (18, one), (19, two)]
    {
        if field.text().len() > FIELD_MAX {
            let words = format!("A longer field; allowed: {FIELD_MAX} bytes; nothing is cut");
            return Err(Fault::new(Location::new("OBR", line.obr, n), Code::DataType, words));
        }
    }
    let needs_test = matches!(line.ask, Some(Ask::New | Ask::Replacing | Ask::Change));
    if needs_test && line.test.value(1).is_empty() && line.test.value(4).is_empty() {
        return Err(Fault::missing(Location::new("OBR", line.obr.max(1), 4), "a code of the test"));
    }
    Ok(())
}

/// When it was asked, and when its specimen was collected: SPM-17 before OBR-7.
fn times(
    [asked, observed]: [Given; 2],
    specimens: &[Specimen],
    line: &Line,
) -> Result<[Option<Moment>; 2], Fault> {
    let own =
        line.specimens.first().and_then(|at| specimens.get(*at)).filter(|s| s.collected.is_said());
    let collected = match own {
        Some(own) => moment(&own.collected, Location::new("SPM", own.nth, 17))?,
        None => moment(&observed, Location::new("OBR", line.obr, 7))?,
    };
    Ok([moment(&asked, Location::new("ORC", line.orc, 9))?, collected])
}

/// A time as far as it is needed: fractions of a second are let go, and less than a day is no time.
fn moment(given: &Given, place: Location) -> Result<Option<Moment>, Fault> {
    let text = given.value(1);
    if !given.is_said() || text.is_empty() {
        return Ok(None);
    }
    let cut = text.find(['+', '-']).unwrap_or(text.len());
    let (digits, zone) = text.split_at(cut);
    let whole = digits.split_once('.').map_or(digits, |(whole, _)| whole);
    if matches!(whole.len(), 4 | 6 | 10) && whole.bytes().all(|b| b.is_ascii_digit()) {
        return Ok(None);
    }
    let read = Moment::from_digits(&format!("{whole}{zone}"));
    let words = "Not a time; allowed: YYYYMMDDHHMMSS with a zone";
    read.map(Some).ok_or_else(|| Fault::new(place, Code::DataType, words))
}
