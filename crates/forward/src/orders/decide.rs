//! A message meets what is known: each of its orders becomes a request, and each request gets its reply.

use wickline_normalize::orders::{
    Claim, Key, MergeRefused, OrderRules, Orders, Refusal, Reply, Request, Wanted,
};
use wickline_normalize::report::Text;
use wickline_normalize::{Moment, Private};

use super::given::Given;
use super::read::{Line, OrderMessage, Patient, Specimen};
use super::site::{OrderKey, Profile, Site, SpecimenFrom, is_specimen_id};

/// What is known beside the orders themselves.
pub struct Now<'a> {
    /// Seconds of UTC by our clock.
    pub seconds: i64,
    /// Seconds of UTC of a time without a zone, by the site's clocks.
    pub local: &'a dyn Fn(&Moment) -> Option<i64>,
    /// Whether the source was asked for the work of a specimen.
    pub queried: &'a dyn Fn(&Private) -> bool,
    /// Whether an id is one of control material or of an external sample at some analyzer here.
    pub of_material: &'a dyn Fn(&str) -> bool,
}

/// What became of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Decided {
    /// One reply for each order.
    Orders(Vec<Reply>),
    /// The source has no work for these specimens, as it was asked.
    NoWork(Vec<Private>),
    /// The source says that it has no work for specimens that nobody asked about.
    NotAsked,
}

impl OrderMessage {
    /// Takes the orders in, as far as they can be.
    pub fn take(
        &self,
        orders: &mut Orders,
        site: &Site,
        rules: &OrderRules,
        now: &Now<'_>,
    ) -> Decided {
        if self.is_no_work(site) {
            let ids: Vec<_> =
                self.orders.iter().flat_map(|line| self.specimen_ids(line, site)).collect();
            let asked = !ids.is_empty() && ids.iter().all(|id| (now.queried)(id));
            return if asked { Decided::NoWork(ids) } else { Decided::NotAsked };
        }
        let requests: Vec<Option<Request>> =
            self.orders.iter().map(|line| self.request(line, site, now)).collect();
        let asked: Vec<Request> = requests.iter().flatten().cloned().collect();
        let rules = OrderRules {
            again_refused: rules.again_refused || site.profile == Profile::Law,
            ..*rules
        };
        let mut replies = orders.take(&asked, &rules, now.seconds).into_iter();
        let refused = |line: &Line| Reply {
            done: Err(if line.fault.is_some() {
                Refusal::FieldWrong
            } else {
                Refusal::NotSupported
            }),
            progress: None,
            number: None,
            deeds: Vec::new(),
        };
        let each = self.orders.iter().zip(requests).map(|(line, request)| {
            request.and_then(|_| replies.next()).unwrap_or_else(|| refused(line))
        });
        Decided::Orders(each.collect())
    }

    /// What names each of its orders at this source, in their order. None: nothing does.
    #[must_use]
    pub fn keys(&self, site: &Site) -> Vec<Option<Key>> {
        self.orders.iter().map(|line| key(line, site)).collect()
    }

    /// IHE's analyzer profile says so with a DC that names no order.
    pub(super) fn is_no_work(&self, site: &Site) -> bool {
        let nameless = |line: &Line| {
            line.control.is_some_and(|row| row.code == "DC") && !line.placer.is_said()
        };
        site.profile == Profile::Law && self.orders.iter().all(nameless)
    }

    /// None: the machine has nothing to say to it.
    fn request(&self, line: &Line, site: &Site, now: &Now<'_>) -> Option<Request> {
        let ask = line.ask?;
        let key = key(line, site)?;
        let wanted = match &line.fault {
            None => self.wanted(line, site, now),
            // Half of a replacement that cannot be read undoes the other half.
            Some(_) if ask.is_new() => Err(Refusal::FieldWrong),
            Some(_) => return None,
        };
        let claim = self.claim(line, site);
        Some(Request { ask, key, at: line.at.map(|at| self.zoned(at)), wanted, claim })
    }

    /// Control material is nobody's, whatever stands in PID.
    fn claim(&self, line: &Line, site: &Site) -> Claim {
        let patient = self.patient.as_ref().filter(|_| !self.is_control(line));
        let patient = patient.map(|patient| patient.person.id.clone());
        Claim { patient, specimens: self.specimen_ids(line, site) }
    }

    fn is_control(&self, line: &Line) -> bool {
        let is_control = |specimen: &Specimen| specimen.role.value(1) == "Q";
        line.says_control() || self.specimens_of(line).any(is_control)
    }

    /// A time without a zone is in the message's.
    fn zoned(&self, at: Moment) -> Moment {
        Moment { offset: at.offset.or(self.envelope.offset), ..at }
    }

    fn wanted(&self, line: &Line, site: &Site, now: &Now<'_>) -> Result<Wanted, Refusal> {
        let pads = site.pads(&line.test).ok_or(Refusal::TestUnknown)?;
        let specimens: Vec<&Specimen> = self.specimens_of(line).collect();
        if !specimens.iter().all(|specimen| is_urine(specimen, site))
            || !is_urine_source(line, site)
        {
            return Err(Refusal::NotUrine);
        }
        let ids = self.specimen_ids(line, site);
        if !ids.iter().all(|id| is_specimen_id(id.expose())) {
            return Err(Refusal::SpecimenMalformed);
        }
        let control = self.is_control(line);
        let known = |id: &Private| site.controls.iter().any(|own| own == id.expose());
        if control && !ids.iter().all(known) {
            return Err(Refusal::ControlUnknown);
        }
        // Its strip is none of a patient's, whatever is ordered of it.
        if !control && ids.iter().any(|id| known(id) || (now.of_material)(id.expose())) {
            return Err(Refusal::SpecimenOfMaterial);
        }
        let collected = line.collected.map(|at| self.zoned(at));
        Ok(Wanted {
            test: line.test.private(),
            pads,
            specimens: ids,
            to_come: matches!(line.action.value(1).as_str(), "P" | "L" | "S"),
            patient: self.patient.as_ref().filter(|_| !control).map(|own| own.person.clone()),
            ordered: None,
            said: None,
            wrong: Vec::new(),
            urgent: is_urgent(&line.priority),
            collected: collected.and_then(|at| at.instant().or_else(|| (now.local)(&at))),
            control,
        })
    }

    pub(super) fn specimens_of<'a>(&'a self, line: &'a Line) -> impl Iterator<Item = &'a Specimen> {
        line.specimens.iter().filter_map(|at| self.specimens.get(*at))
    }

    /// The ids of an order's specimens, from the one place that this source has for them.
    #[must_use]
    pub fn specimen_ids(&self, line: &Line, site: &Site) -> Vec<Private> {
        let version = self.envelope.version.unwrap_or(crate::hl7::Version::V251);
        let of_specimens = |component| -> Vec<String> {
            self.specimens_of(line).map(|specimen| specimen.id.value(component)).collect()
        };
        let ids = match site.specimen_from.in_version(version) {
            SpecimenFrom::Spm2Placer | SpecimenFrom::ByVersion => of_specimens(1),
            SpecimenFrom::Spm2Filler => of_specimens(2),
            SpecimenFrom::Sac3 => self.containers(line),
            // Where it stands in ORC alone, both are one.
            SpecimenFrom::Obr2 => vec![said(&line.numbers[0], &line.placer).value(1)],
            SpecimenFrom::Obr3 => vec![said(&line.numbers[1], &line.filler).value(1)],
            SpecimenFrom::Orc4 => vec![line.group.value(1)],
            SpecimenFrom::Obr18 => vec![line.back[0].value(1)],
        };
        let mut own: Vec<Private> = Vec::new();
        for id in ids.into_iter().filter(|id| !id.is_empty()).map(Private::new) {
            if !own.contains(&id) {
                own.push(id);
            }
        }
        own
    }

    fn containers(&self, line: &Line) -> Vec<String> {
        let one = |specimen: &Specimen| -> Vec<String> {
            let own = line.container.map_or(0..specimen.containers.len(), |at| at..at + 1);
            let containers = specimen.containers.get(own).unwrap_or_default();
            containers.iter().map(|(_, [id, _])| id.value(1)).collect()
        };
        self.specimens_of(line).flat_map(one).collect()
    }
}

/// What names the order at its source. None: nothing does.
fn key(line: &Line, site: &Site) -> Option<Key> {
    let number = match site.key {
        OrderKey::Placer => line.placer.text().to_owned(),
        OrderKey::Filler => line.filler.text().to_owned(),
        OrderKey::PlacerAndTest if line.placer.is_said() => {
            // `|` stands in no field.
            format!("{}|{}", line.placer.text(), line.test.part(1).text())
        }
        OrderKey::PlacerAndTest => String::new(),
    };
    let said = !number.is_empty() && number != "\"\"";
    said.then(|| Key { source: site.name.clone(), number: Private::new(number) })
}

impl Site {
    /// What a test means here, by its code or by the other one beside it.
    #[must_use]
    pub fn pads(&self, test: &Given) -> Option<Vec<Text>> {
        let codes = [test.value(1), test.value(4)];
        let row = codes
            .iter()
            .filter(|code| !code.is_empty())
            .find_map(|code| self.tests.iter().find(|(known, _)| known == code));
        row.map(|(_, pads)| {
            let mut pads = pads.clone();
            pads.sort_unstable();
            pads.dedup();
            pads
        })
    }
}

/// Control material is none, and says so.
pub(super) fn is_urine(specimen: &Specimen, site: &Site) -> bool {
    let code = specimen.kind.value(1);
    code.is_empty() || specimen.role.value(1) == "Q" || site.specimen_types.contains(&code)
}

/// OBR-15, whose code many write as a component: tables 0070 and 0487 call urine alike.
fn is_urine_source(line: &Line, site: &Site) -> bool {
    let code = line.source.value(1);
    code.is_empty() || site.specimen_types.contains(&code) || line.says_control()
}

/// What a source says of merged patients. An error: it would go in a circle; what stood before it was taken.
pub fn merge(
    orders: &mut Orders,
    pairs: &[(Given, Patient)],
    now: i64,
) -> Result<Vec<wickline_normalize::orders::Deed>, MergeRefused> {
    let mut deeds = Vec::new();
    for (gone, stays) in pairs {
        deeds.extend(orders.merge(&gone.private(), &stays.person, now)?);
    }
    Ok(deeds)
}

fn said<'a>(one: &'a Given, else_: &'a Given) -> &'a Given {
    if one.is_said() { one } else { else_ }
}

/// Stat and as soon as possible of HL7 table 0485.
pub(super) fn is_urgent(priority: &Given) -> bool {
    matches!(priority.value(1).as_str(), "S" | "A")
}
