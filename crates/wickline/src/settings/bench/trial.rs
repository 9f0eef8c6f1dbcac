//! Messages that are put together before the first result: what a receiver asks for, tried on every rung of each strip
//! that it may be told of, with invented ids of ordinary length.
//!
//! A word that is right by itself may still be one that no message can be built with: a letter that the character set
//! lacks, an id that is too long with the authority behind it. Such a configuration would hold every report. The
//! messages are made as those of results are, and none leaves this file.

use wickline_forward::EncodeFault;
use wickline_forward::hl7::{ControlRole, Equipment, Outgoing, Urine, result_message};
use wickline_normalize::strip::{Pad, Strip};
use wickline_normalize::{
    Figure, Moment, Observation, Patient, Printed, Private, Reading, Remark, Role, Rules, Units,
    observe,
};

use super::{Analyzer, Target};

/// The id of a specimen of ours, where the site's pattern takes it.
const SPECIMEN: &str = "KP-20417";
/// As long as each OBR-3 of ours.
const FILLER: &str = "0000000000001";
const TIME: Moment =
    Moment { year: 2026, month: 1, day: 5, time: Some((8, 15)), second: Some(0), offset: Some(0) };

/// What a receiver may be told of one strip, rung by rung, and where no pad that must be there was read.
pub(super) fn observations(target: &Target, strip: &Strip) -> Vec<Vec<Observation>> {
    let most = strip.pads.iter().map(|pad| pad.rungs.len()).max().unwrap_or(0).max(1);
    let rungs = (0..most).map(Some).chain([None]);
    let readings = |nth: Option<usize>| {
        let pads = strip.pads.iter().filter(|pad| nth.is_some() || !pad.optional);
        pads.map(|pad| reading(pad, nth)).collect::<Vec<_>>()
    };
    // What a ladder cannot say is the strip's fault, and told with the strip.
    let observed = rungs.filter_map(|nth| observe(&readings(nth), strip, &target.choice).ok());
    observed.filter(|observations| !observations.is_empty()).collect()
}

/// A pad on its n-th rung, or on its highest; None: not read.
fn reading(pad: &Pad, nth: Option<usize>) -> Reading {
    let place = nth.map(|nth| nth.min(pad.rungs.len().saturating_sub(1)));
    let rung = place.and_then(|place| pad.rungs.get(place));
    let measured = || pad.measured.as_ref().and_then(|_| Figure::read("1"));
    Reading {
        label: pad.id.clone(),
        printed: Printed::default(),
        units: Units::Conventional,
        analyte: Some(pad.id.clone()),
        rung: place,
        grade: rung.and_then(|rung| rung.grade.clone()),
        number: rung.and_then(|rung| rung.conventional.clone()).or_else(measured),
        flag: None,
        by_mark: false,
        reference: None,
        unread: nth.is_none().then(|| "not read".to_owned()),
        lines: Vec::new(),
    }
}

/// Every message of a trial, or what no message can be built with.
pub(super) fn messages(
    target: &Target,
    analyzer: &Analyzer,
    strip: &Strip,
) -> Result<Vec<Vec<u8>>, EncodeFault> {
    let mut all = Vec::new();
    for role in [Role::Patient, Role::Control].into_iter().filter(|role| target.takes(*role)) {
        for observations in observations(target, strip) {
            all.push(message(target, analyzer, strip, role, &observations)?);
        }
    }
    Ok(all)
}

fn message(
    target: &Target,
    analyzer: &Analyzer,
    strip: &Strip,
    role: Role,
    observations: &[Observation],
) -> Result<Vec<u8>, EncodeFault> {
    let control = (role == Role::Control).then(|| material(analyzer, strip));
    let specimen = Private::new(specimen(&analyzer.rules, role));
    let operator = Private::new("OP1");
    let patient = person();
    let comments = analyzer.comments.iter().map(|rule| Remark {
        code: rule.code.clone(),
        text: rule.text.clone(),
        about: rule.about.clone(),
    });
    let remarks: Vec<Remark> =
        [Remark::new("trial", "Trial.")].into_iter().chain(comments).collect();
    let equipment = analyzer.equipment.as_ref();
    result_message(
        &target.layout,
        &Outgoing {
            control_id: "TRIAL-1",
            made: TIME,
            filler: FILLER,
            specimen: &specimen,
            number: Some("57"),
            stat: false,
            collected: Some(TIME),
            taken: Some(TIME),
            heard: TIME,
            operator: Some(&operator),
            analyzer: &analyzer.id,
            equipment: equipment.map(|(serial, model)| Equipment { serial, model }),
            urine: Urine::default(),
            patient: Some(&patient).filter(|_| target.with_patient && control.is_none()),
            control,
            orders: &[],
            unordered: None,
            remarks: if control.is_some() { &[] } else { &remarks },
            observations,
        },
    )
}

/// Somebody whom we made up.
fn person() -> Patient {
    let of = |text: &str| Some(Private::new(text));
    Patient { id: of("H004417"), name: of("Lantern^Marnie"), born: of("19710206"), sex: of("F") }
}

/// Ours where the site's pattern takes it, else a shortest id that it does take.
fn specimen(rules: &Rules, role: Role) -> String {
    let own = match role {
        Role::Patient => Some(&rules.specimen).filter(|pattern| !pattern.matches(SPECIMEN)),
        Role::Control | Role::External => rules.control_specimens.first().map(|own| &own.pattern),
    };
    own.and_then(|pattern| pattern.shared(pattern)).unwrap_or_else(|| SPECIMEN.to_owned())
}

/// The material that the configuration names first for this strip.
fn material<'a>(analyzer: &'a Analyzer, strip: &Strip) -> ControlRole<'a> {
    let lot = analyzer.controls.plan.lots().find(|lot| lot.strip == strip.id);
    let Some(lot) = lot else { return ControlRole { level: "1", lot: None, expires: None } };
    let key = (lot.level.to_owned(), lot.control_lot.to_owned());
    let expires = analyzer.controls.expiries.get(&key).copied();
    ControlRole { level: lot.level, lot: Some(lot.control_lot), expires }
}
