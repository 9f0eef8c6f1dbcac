//! Which results go under which OBR: of a whole report, or of one order that asked for some of its pads.

use wickline_normalize::correction::Known;
use wickline_normalize::report::Text;
use wickline_normalize::{Observation, ResultStatus};

use super::layout::{FillerNumber, Layout};
use super::report::{Ordered, Outgoing};
use super::results::Results;
use super::told::{Amended, Told};
use super::write::{EncodeFault, Field};
use crate::orders::{Given, References, SpecimenReferences};

/// The namespace of our own ids.
pub(crate) const NAMESPACE: &str = "WICKLINE";
/// What an order brought goes by these names: no specimen id of ours is wrong where one of them is refused.
pub(super) const ORDERED_FILLER: Field = Field::private("ORC-3", 22);
pub(super) const ORDERED_SPECIMEN: Field = Field::private("SPM-2.1", 80);

/// One OBR with its results.
pub(super) struct Group<'a> {
    pub order: Option<&'a Ordered<'a>>,
    /// The pads that stand in it. None: all of the report's.
    pub pads: Option<&'a [Text]>,
    pub specimen: Option<&'a SpecimenReferences>,
    /// OBR-3 where it is not made of our number: the order's own, or the one that it was told under.
    pub number: Option<Given>,
    /// Our own.
    pub filler: &'a str,
    pub results: Results<'a>,
    /// What is told after something else was.
    pub amended: Option<Amended>,
}

impl<'a> Group<'a> {
    /// One for each order, or one for all.
    pub(super) fn all(
        layout: &'a Layout,
        out: &Outgoing<'a>,
    ) -> Result<Vec<Group<'a>>, EncodeFault> {
        if out.orders.is_empty() {
            let results = Results::new(layout, out.observations);
            return Ok(vec![Group::without_order(out, None, results)]);
        }
        let mut groups: Vec<Group<'a>> = out
            .orders
            .iter()
            .map(|order| Group::of(layout, out, order))
            .collect::<Result<_, _>>()?;
        if let Some(pads) = out.unordered {
            let results = Results::new(layout, among(out, pads));
            // It is the same cup.
            let specimen = groups.first().and_then(|first| first.specimen);
            let apart = Group::without_order(out, Some(pads), results);
            groups.push(Group { specimen, ..apart });
        }
        Ok(groups)
    }

    fn without_order(out: &Outgoing<'a>, pads: Option<&'a [Text]>, results: Results<'a>) -> Self {
        let (order, specimen, number, amended) = (None, None, None, None);
        Group { order, pads, specimen, number, filler: out.filler, results, amended }
    }

    fn of(
        layout: &'a Layout,
        out: &Outgoing<'a>,
        order: &'a Ordered<'a>,
    ) -> Result<Group<'a>, EncodeFault> {
        let references = order.references;
        let specimen = references.specimen(out.specimen);
        if specimen.is_none() && !references.specimens.is_empty() {
            let found = "an order of several specimens, and none of them alone has this id";
            return Err(EncodeFault::new(ORDERED_SPECIMEN.name, found, "the id of one of them"));
        }
        // 2.4 has the role in OBR-15.7.
        let roles = [specimen.map(|s| s.role.value(1)), Some(references.source.value(7))];
        if roles.into_iter().flatten().any(|role| !matches!(role.as_str(), "" | "P" | "U")) {
            let found = "an order of control material in a patient's report";
            return Err(EncodeFault::new("SPM-11", found, "an order of a patient's specimen"));
        }
        let wanted = layout.filler == FillerNumber::Ordered;
        Ok(Group {
            order: Some(order),
            pads: Some(order.pads),
            specimen,
            number: references.own_number().filter(|_| wanted).cloned(),
            filler: order.filler,
            results: Results::new(layout, among(out, order.pads)),
            amended: None,
        })
    }

    /// Nobody ordered its pads, beside others that somebody did.
    pub(super) fn is_generated(&self) -> bool {
        self.order.is_none() && self.pads.is_some()
    }

    pub(super) fn references(&self) -> Option<&'a References> {
        self.order.map(|order| order.references)
    }

    /// Whether results that were told under this OBR-3 are its own: as ours, behind a specimen id, or the order's.
    fn bears(&self, told: &Given) -> bool {
        let ours = told.value(2) == NAMESPACE && told.value(1) == self.filler;
        let theirs = self.references().is_some_and(|r| r.filler.is_said() && r.filler == *told);
        ours || told.value(2) == self.filler || theirs
    }

    /// An OBR-3 is permanent: what an order's results were told under stays, whatever the layout says today.
    pub(super) fn keep_number(&mut self, told: &str) {
        if self.order.is_some() && !told.is_empty() {
            self.number = Some(Given::kept(told));
        }
    }

    /// When the specimen was collected, as the order says it.
    pub(super) fn collected(&self) -> Option<&'a Given> {
        let own = self.specimen.map(|specimen| &specimen.collected);
        let observed = self.references().map(|references| &references.collected);
        own.filter(|c| c.is_said()).or(observed).filter(|c| c.is_said())
    }

    /// OBR-3 is not ours.
    pub(super) fn is_under_theirs(&self) -> bool {
        let theirs = |n: &Given| n.value(2) != NAMESPACE && n.value(2) != self.filler;
        self.number.as_ref().is_some_and(theirs)
    }

    /// Both are of one specimen, with the same said of it.
    pub(super) fn shares_specimen(&self, other: &Group<'_>) -> bool {
        self.specimen == other.specimen
    }
}

fn among<'a>(out: &Outgoing<'a>, pads: &'a [Text]) -> impl Iterator<Item = &'a Observation> {
    out.observations.iter().filter(|o| pads.iter().any(|pad| *pad == *o.pad()))
}

/// The OBR-3 of a group and what the receiver was told under it.
pub(super) type Share = (String, Vec<Known<Told>>);

/// What the receiver was told of each group. What was told under an order that is none of these would stay with the
/// receiver: that is refused.
pub(super) fn shares(
    groups: &[Group<'_>],
    known: &[Known<Told>],
) -> Result<Vec<Share>, EncodeFault> {
    let mut shares = vec![(String::new(), Vec::new()); groups.len()];
    for one in known {
        let told = Given::kept(one.entry.group());
        let only = (groups.len() == 1 && one.entry.is_alone()).then_some(0);
        let own = only.or_else(|| groups.iter().position(|group| group.bears(&told)));
        if let Some((number, share)) = own.and_then(|at| shares.get_mut(at)) {
            one.entry.group().clone_into(number);
            share.push(Known { entry: one.entry.by_itself(), ..one.clone() });
        } else if !(one.status == ResultStatus::Withdrawn && one.sure && !one.doubtful) {
            let found = "results that were told under an order that is none of these";
            return Err(EncodeFault::new(
                ORDERED_FILLER.name,
                found,
                "every order that results were told of",
            ));
        }
    }
    Ok(shares)
}
