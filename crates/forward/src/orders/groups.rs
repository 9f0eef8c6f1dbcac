//! Which segments belong together: orders, their specimens, and what of it is old work that only comes along.

use super::control::Control;
use super::envelope::Kind;
use super::fault::{Code, Fault, Location};
use crate::hl7::Message;

/// The most specimens and containers of a message.
const SPECIMENS_MAX: usize = 400;

/// One segment with its fields as written.
#[derive(Clone, Debug)]
pub(super) struct Segment<'a> {
    /// Which of its name, from 1.
    pub nth: usize,
    fields: Vec<&'a str>,
}

impl<'a> Segment<'a> {
    /// A field as written; empty where there is none.
    pub fn field(&self, n: usize) -> &'a str {
        self.fields.get(n).copied().unwrap_or("")
    }

    pub fn fields(&self) -> &[&'a str] {
        &self.fields
    }
}

/// A specimen with its containers.
#[derive(Debug)]
pub(super) struct SpecimenGroup<'a> {
    pub spm: Option<Segment<'a>>,
    pub sacs: Vec<Segment<'a>>,
}

/// An order as its segments say it.
#[derive(Debug)]
pub(super) struct OrderGroup<'a> {
    pub orc: Segment<'a>,
    pub obr: Option<Segment<'a>>,
    pub timing: Option<Segment<'a>>,
    /// Indices of specimens.
    pub specimens: Vec<usize>,
    /// The container that it is for, within its specimen.
    pub container: Option<usize>,
    /// The PID that stands last before it.
    pub pid: Option<usize>,
}

/// A message in groups.
#[derive(Debug, Default)]
pub(super) struct Groups<'a> {
    /// Every PID: the first is the patient's, others begin old work.
    pub pids: Vec<Segment<'a>>,
    pub visit: Option<Segment<'a>>,
    pub specimens: Vec<SpecimenGroup<'a>>,
    pub orders: Vec<OrderGroup<'a>>,
    pub mergers: Vec<(usize, Segment<'a>)>,
}

/// Walks a message once.
struct Walk<'a> {
    groups: Groups<'a>,
    specimen_leads: bool,
    /// An order has had its OBR: a PID behind it begins old work.
    below_obr: bool,
    /// Old work: nothing of it is read.
    prior: bool,
    /// SAC before the ORC that it is for.
    leading: Vec<usize>,
}

fn sequence(segment: &'static str, nth: usize, words: &str) -> Fault {
    Fault::new(Location::new(segment, nth, 0), Code::SegmentSequence, words)
}

impl<'a> Groups<'a> {
    /// Cuts a message. Segments that nobody here knows are passed over.
    pub fn read(message: &'a Message, kind: Kind, most: usize) -> Result<Groups<'a>, Fault> {
        let mut walk = Walk {
            groups: Groups::default(),
            specimen_leads: kind.specimen_leads(),
            below_obr: false,
            prior: false,
            leading: Vec::new(),
        };
        let mut counts = std::collections::BTreeMap::<&str, usize>::new();
        for fields in message.segments() {
            let name = fields.first().copied().unwrap_or("");
            let nth = counts.entry(name).or_default();
            *nth += 1;
            let segment = Segment { nth: *nth, fields };
            match name {
                "PID" => walk.pid(segment)?,
                "MRG" => {
                    let at = walk.groups.pids.len();
                    walk.groups.mergers.push((at, segment));
                }
                "PV1" | "AL1" if walk.below_obr => walk.prior = true,
                "PV1" => walk.groups.visit = Some(segment),
                "SPM" => walk.spm(segment)?,
                "SAC" => walk.sac(segment)?,
                "ORC" => walk.orc(segment, message, most)?,
                "TQ1" => walk.tq1(segment),
                "OBR" => walk.obr(segment)?,
                _ => {}
            }
        }
        Ok(walk.groups)
    }
}

impl<'a> Walk<'a> {
    fn pid(&mut self, pid: Segment<'a>) -> Result<(), Fault> {
        let between = !self.groups.orders.is_empty() && !self.below_obr && !self.prior;
        if between {
            return Err(sequence("PID", pid.nth, "A patient between an ORC and its OBR"));
        }
        self.prior |= self.below_obr;
        self.groups.pids.push(pid);
        Ok(())
    }

    fn spm(&mut self, spm: Segment<'a>) -> Result<(), Fault> {
        if self.prior && !self.specimen_leads {
            return Ok(());
        }
        self.room(&spm, "SPM")?;
        let at = self.groups.specimens.len();
        self.groups.specimens.push(SpecimenGroup { spm: Some(spm), sacs: Vec::new() });
        if self.specimen_leads {
            (self.prior, self.below_obr) = (false, false);
        } else if let Some(order) = self.groups.orders.last_mut() {
            order.specimens.push(at);
        }
        Ok(())
    }

    fn room(&self, segment: &Segment<'_>, name: &'static str) -> Result<(), Fault> {
        let specimens = &self.groups.specimens;
        let held: usize = specimens.iter().map(|s| 1 + s.sacs.len()).sum();
        if held < SPECIMENS_MAX {
            return Ok(());
        }
        let words = format!("Too many specimens and containers; allowed: {SPECIMENS_MAX}");
        Err(sequence(name, segment.nth, &words))
    }

    fn sac(&mut self, sac: Segment<'a>) -> Result<(), Fault> {
        if self.prior {
            return Ok(());
        }
        self.room(&sac, "SAC")?;
        let in_order = self.groups.orders.last().is_some_and(|order| {
            order.obr.is_some() && (self.specimen_leads || order.specimens.is_empty())
        });
        match self.groups.specimens.last_mut() {
            Some(specimen) if self.specimen_leads || specimen.spm.is_some() => {
                specimen.sacs.push(sac);
            }
            // 2.4 has no SPM: a container stands below its order, or above those that it is for.
            _ => {
                let at = self.groups.specimens.len();
                self.groups.specimens.push(SpecimenGroup { spm: None, sacs: vec![sac] });
                match self.groups.orders.last_mut() {
                    Some(order) if in_order => order.specimens.push(at),
                    _ => self.leading.push(at),
                }
            }
        }
        Ok(())
    }

    fn orc(&mut self, orc: Segment<'a>, message: &Message, most: usize) -> Result<(), Fault> {
        let code = message.unescape(orc.field(1));
        let row = Control::of(&code);
        if row.is_some_and(|row| !row.is_of_an_order()) {
            self.prior = true;
            return Ok(());
        }
        if self.prior && code.is_empty() {
            return Ok(());
        }
        if self.groups.orders.len() == most {
            let words = format!("Too many orders in one message; allowed: {most}");
            return Err(sequence("ORC", orc.nth, &words));
        }
        (self.prior, self.below_obr) = (false, false);
        let specimen = self.groups.specimens.len().checked_sub(1).filter(|_| self.specimen_leads);
        if self.specimen_leads && specimen.is_none() {
            return Err(sequence(
                "ORC",
                orc.nth,
                "An order before its specimen; allowed: SPM first",
            ));
        }
        let containers =
            specimen.and_then(|at| self.groups.specimens.get(at)).map(|s| s.sacs.len());
        let mut specimens: Vec<usize> = specimen.into_iter().collect();
        specimens.append(&mut self.leading);
        self.groups.orders.push(OrderGroup {
            orc,
            obr: None,
            timing: None,
            specimens,
            container: containers.and_then(|n| n.checked_sub(1)),
            pid: self.groups.pids.len().checked_sub(1),
        });
        Ok(())
    }

    fn tq1(&mut self, timing: Segment<'a>) {
        if let Some(order) = self.groups.orders.last_mut().filter(|_| !self.prior) {
            order.timing.get_or_insert(timing);
        }
    }

    fn obr(&mut self, obr: Segment<'a>) -> Result<(), Fault> {
        if self.prior {
            return Ok(());
        }
        let nth = obr.nth;
        let order = self.groups.orders.last_mut().filter(|order| order.obr.is_none());
        let Some(order) = order else {
            return Err(sequence("OBR", nth, "An OBR without an ORC of its own before it"));
        };
        order.obr = Some(obr);
        self.below_obr = true;
        Ok(())
    }
}
