//! One receiver's message layout, from the words of its table.

use wickline_forward::hl7::{Charset, Layout, OrderedPatient, Party, panel_manual};

use super::super::reader::has_key;
use super::super::{Receiver, Settings};
use super::Builder;

impl Builder<'_> {
    pub(super) fn layout(&mut self, settings: &Settings, index: usize) -> Option<Layout> {
        let raw = &settings.receiver[index];
        let before = self.faults.len();
        let version = self.good("receiver", index, "version", &raw.version, raw.version.parse())?;
        let mut layout =
            Layout::new(version, &settings.site.short, &raw.application, &raw.facility);
        for (own, text) in [
            (&mut layout.sending_application, &raw.sending_application),
            (&mut layout.sending_facility, &raw.sending_facility),
        ] {
            if !text.is_empty() {
                *own = Party::of(text);
            }
        }
        match raw.charset.as_str() {
            "ascii" => layout.charset = Charset::Ascii,
            "8859/1" => layout.charset = Charset::Latin1,
            "utf-8" => layout.charset = Charset::Utf8,
            _ => {}
        }
        if raw.codes == "manual" {
            layout.panel = panel_manual();
        }
        layout.acknowledge = raw.acknowledge.parse().unwrap_or_default();
        layout.profile.clone_from(&raw.profile);
        if !raw.local_system.is_empty() {
            layout.local_system.clone_from(&raw.local_system);
        }
        layout.status = raw.status.parse().unwrap_or_default();
        layout.specimen_namespace = Party::of(&raw.specimen_namespace);
        layout.patient_authority = Party::of(&raw.patient_authority);
        layout.patient_id_type.clone_from(&raw.patient_id_type);
        layout.equipment_namespace.clone_from(&raw.equipment_namespace);
        layout.ordered_patient = match raw.patient.as_str() {
            "ordered" => OrderedPatient::Whole,
            "ordered-short" => OrderedPatient::Short,
            _ => OrderedPatient::Never,
        };
        layout.observed_left_out = raw.observed == "left-out";
        self.words(settings, index, &mut layout);
        self.lists(settings, index, &mut layout);
        if self.faults.len() > before {
            return None;
        }
        for fault in layout.check().err().unwrap_or_default() {
            let key = keys_of(fault.field, Some(raw)).first().copied().unwrap_or("id");
            self.fault(
                "receiver",
                index,
                key,
                &fault.found,
                format!("{}: {}", fault.field, fault.allowed),
            );
        }
        (self.faults.len() == before).then_some(layout)
    }

    /// Keys that hold one word or name each.
    fn words(&mut self, settings: &Settings, index: usize, layout: &mut Layout) {
        let raw = &settings.receiver[index];
        let mut take = |key: &str, text: &str, taken: Result<(), String>| {
            self.good("receiver", index, key, text, taken.map_err(allowed));
        };
        let set = raw.processing.parse().map(|v| layout.processing = v);
        take("processing", &raw.processing, set);
        let set = raw.structure.parse().map(|v| layout.structure = v);
        take("structure", &raw.structure, set);
        if raw.specimen_in != "by-version" {
            let set = raw.specimen_in.parse().map(|v| layout.specimen_in = v);
            take("specimen_in", &raw.specimen_in, set);
        }
        let set = raw.coded.parse().map(|v| layout.grade_as = v);
        take("coded", &raw.coded, set);
        let set = raw.ends.parse().map(|v| layout.end_as = v);
        take("ends", &raw.ends, set);
        let set = raw.names.parse().map(|v| layout.names = v);
        take("names", &raw.names, set);
        let set = raw.filler.parse().map(|v| layout.filler = v);
        take("filler", &raw.filler, set);
        let set = raw.grade_codes.parse().map(|v| layout.grade_codes = v);
        take("grade_codes", &raw.grade_codes, set);
        if !raw.panel.is_empty() {
            let set = raw.panel.parse().map(|v| layout.panel = v);
            take("panel", &raw.panel, set);
        }
        if !raw.panel_local.is_empty() {
            let set = raw.panel_local.parse().map(|v| layout.panel_local = Some(v));
            take("panel_local", &raw.panel_local, set);
        }
    }

    /// Keys that hold a list, each entry `KEY=VALUE` or a word.
    fn lists(&mut self, settings: &Settings, index: usize, layout: &mut Layout) {
        let raw = &settings.receiver[index];
        type Set = fn(&mut Layout, &str, &str) -> Result<(), String>;
        let pairs: [(&str, &[String], Set); 5] = [
            ("name_of", &raw.name_of, Layout::set_name),
            ("names_of", &raw.names_of, Layout::set_names),
            ("coded_of", &raw.coded_of, Layout::set_grade_as),
            ("ends_of", &raw.ends_of, Layout::set_end_as),
            ("fixed", &raw.fixed, Layout::set_fixed),
        ];
        for (key, texts, set) in pairs {
            for text in texts {
                let done = match text.split_once('=') {
                    Some((name, value)) => set(layout, name.trim(), value.trim()),
                    None => Err(format!("NAME=VALUE in each entry of {key}")),
                };
                self.good("receiver", index, key, text, done.map_err(allowed));
            }
        }
        for (key, texts, sent) in [("with", &raw.with, true), ("without", &raw.without, false)] {
            for text in texts {
                let done = layout.set_segment(text, sent).map_err(allowed);
                self.good("receiver", index, key, text, done);
            }
        }
        for text in &raw.order {
            self.good("receiver", index, "order", text, layout.add_to_order(text).map_err(allowed));
        }
    }

    /// Whether a receiver's table has this key.
    pub(super) fn is_written(&self, index: usize, key: &str) -> bool {
        has_key(&self.loaded.text, "receiver", index, key)
    }
}

/// The lists of a receiver whose entries begin with an analyte or a field.
pub(super) fn lists(raw: &Receiver) -> [(&'static str, &[String]); 6] {
    [
        ("name_of", &raw.name_of),
        ("names_of", &raw.names_of),
        ("coded_of", &raw.coded_of),
        ("ends_of", &raw.ends_of),
        ("order", &raw.order),
        ("fixed", &raw.fixed),
    ]
}

/// What a choice says is allowed. The words before it say again what was found, or why it is not.
fn allowed(why: String) -> String {
    match why.split_once("; allowed: ") {
        Some((found, allowed)) if found.contains(" is no ") => allowed.to_owned(),
        Some((found, allowed)) => format!("{allowed} ({found})"),
        None => why,
    }
}

/// The keys that a fault of a field may be about, the likeliest first.
pub(super) fn keys_of(field: &str, raw: Option<&Receiver>) -> &'static [&'static str] {
    let asked = raw.is_some_and(|raw| raw.with.iter().any(|name| name == field));
    match field {
        "ORC" | "SPM" | "SFT" | "NTE" if asked => return &["with"],
        "ORC" | "SPM" | "SFT" | "NTE" => return &["without"],
        "SPM-2.1" => return &["specimen_namespace"],
        "OBR-4.4" | "OBR-4.5" => return &["panel_local"],
        "PID-3.4" => return &["patient_authority"],
        "PID-3.5" => return &["patient_id_type"],
        "OBX-3.6" => return &["local_system"],
        "OBX" => return &["order"],
        "MSH-9" => return &["structure"],
        _ => {}
    }
    match field.split('.').next().unwrap_or(field) {
        "MSH-3" => &["sending_application"],
        "MSH-4" => &["sending_facility"],
        "MSH-5" => &["application"],
        "MSH-6" => &["facility"],
        "MSH-21" => &["profile"],
        "OBR-4" => &["panel"],
        "SPM-2" | "OBR-2" | "OBR-3" | "PID-3" => &["specimen_in"],
        "OBX-3" => &["name_of", "charset"],
        "OBX-5" => &["coded_of", "coded", "charset"],
        "OBX-18" => &["equipment_namespace"],
        "NTE-3" => &["charset"],
        _ => &["fixed"],
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use wickline_forward::hl7::{FillerNumber, OrderedPatient};

    use crate::settings::bench::{Bench, Target};
    use crate::settings::from_text;

    fn target(keys: &str, told: impl FnOnce(&Target)) {
        let text = format!(
            "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
             [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
             [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"two-column\"\n\
             [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n{keys}\n\
             [[source]]\nid = \"ward\"\nlisten = \"127.0.0.1:1\"\ntests = [\"UADIP=ten-pad\"]\n"
        );
        let loaded = from_text(Path::new("./w.toml"), text).expect("readable");
        told(&Bench::build(&loaded).expect("a bench").targets[0]);
    }

    #[test]
    fn what_a_receiver_gets_of_orders_is_its_own_choice() {
        let of = |keys: &str, heard, ordered, filler| {
            target(keys, |own| {
                let found = (own.with_patient, own.layout.ordered_patient, own.layout.filler);
                assert_eq!(found, (heard, ordered, filler), "{keys}");
            });
        };
        of("", false, OrderedPatient::Never, FillerNumber::Ours);
        of("patient = \"as-heard\"", true, OrderedPatient::Never, FillerNumber::Ours);
        of("patient = \"ordered-short\"", false, OrderedPatient::Short, FillerNumber::Ours);
        let keys = "patient = \"ordered\"\nfiller = \"ordered\"";
        of(keys, false, OrderedPatient::Whole, FillerNumber::Ordered);
    }

    #[test]
    fn a_receiver_gets_its_own_orders_and_those_it_is_named_for() {
        let of = |keys: &str, wanted: [bool; 3]| {
            target(keys, |own| {
                assert_eq!(["lis", "ward", "other"].map(|s| own.gets_orders_of(s)), wanted)
            });
        };
        of("", [true, false, false]);
        of("orders_for = [\"ward\"]", [true, true, false]);
    }
}
