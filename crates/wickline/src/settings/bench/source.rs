//! Who sends orders, what they mean here, and what becomes of strips with and without them.

use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;

use wickline_forward::deliver::{Address, Serving};
use wickline_forward::hl7::{Charset, Version};
use wickline_forward::orders::{OrderKey, Profile, Site, SpecimenFrom};
use wickline_normalize::orders::{OrderRules, SameTest, Unordered};
use wickline_normalize::report::Text;
use wickline_normalize::strip::Strip;

use super::super::{Settings, SourceKeys};
use super::{Analyzer, Bench, Builder, Target};

const HOUR: i64 = 3_600;
const DAY: i64 = 24 * HOUR;

/// One system that sends orders, ready to be listened to.
#[derive(Clone, Debug)]
pub struct Source {
    /// What it may send and what that means; its name is the source's id.
    pub site: Site,
    pub listen: SocketAddr,
    /// Who may connect. Empty: this machine alone.
    pub allow: Vec<IpAddr>,
    /// None: plain.
    pub tls: Option<Serving>,
    /// What cannot be kept is answered with a no, where else the connection is closed.
    pub rejects: bool,
    /// Orders of it that may wait.
    pub max_open: i64,
    /// The receiver that is asked for it about specimens that nobody ordered.
    pub ask: Option<String>,
}

impl Source {
    /// Whether whoever connects from there is this source.
    #[must_use]
    pub fn allows(&self, peer: IpAddr) -> bool {
        let peer = peer.to_canonical();
        let own = |one: &IpAddr| one.to_canonical() == peer;
        if self.allow.is_empty() { peer.is_loopback() } else { self.allow.iter().any(own) }
    }
}

/// What the laboratory has decided about orders.
#[derive(Clone, Copy, Debug, Default)]
pub struct Ordering {
    pub rules: OrderRules,
    /// A strip that nobody ordered goes all the same.
    pub sends_without: bool,
    /// How long patients of closed orders are kept, in seconds.
    pub patient_keep: i64,
    /// Names of patients are stored at all.
    pub keeps_names: bool,
}

fn keeps_names(settings: &Settings) -> bool {
    settings.orders.patient_store != "no"
}

impl Bench {
    /// Whether orders are taken in at all. Where they are not, nothing of them is asked.
    #[must_use]
    pub fn has_orders(&self) -> bool {
        !self.sources.is_empty()
    }
}

impl Builder<'_> {
    pub(super) fn ordering(settings: &Settings) -> Ordering {
        let raw = &settings.orders;
        let rules = OrderRules {
            again_refused: false,
            specimen_later: raw.specimen_later,
            expire: raw.expire_hours * HOUR,
            expire_unknown: raw.expire_unknown_days * DAY,
            reuse: raw.reuse_days * DAY,
            oldest: raw.collected_hours * HOUR,
            same_test: if raw.same_test == "all" { SameTest::All } else { SameTest::Newest },
            unordered: match raw.unordered_pads.as_str() {
                "drop" => Unordered::Drop,
                "send" => Unordered::Send,
                _ => Unordered::Hold,
            },
            ..OrderRules::default()
        };
        let sends_without = raw.without_order == "send";
        let patient_keep = raw.patient_days * DAY;
        Ordering { rules, sends_without, patient_keep, keeps_names: keeps_names(settings) }
    }

    pub(super) fn source(
        &mut self,
        settings: &Settings,
        index: usize,
        analyzers: &[Arc<Analyzer>],
    ) -> Option<Source> {
        let raw = &settings.source[index];
        let before = self.faults.len();
        let strips: Vec<&Strip> = analyzers.iter().flat_map(|a| &a.strips).collect();
        let listen = raw.listen.parse::<SocketAddr>().map_err(|_| {
            "an address of this machine with its port, such as \"127.0.0.1:2576\"".to_owned()
        });
        let listen = self.good("source", index, "listen", &raw.listen, listen);
        let allow = self.allowed_peers(raw, index);
        let beyond = listen.is_some_and(|listen| !listen.ip().to_canonical().is_loopback());
        if raw.allow.is_empty() && beyond {
            let allowed =
                "the addresses that may connect, where `listen` is not this machine alone"
                    .to_owned();
            self.fault("source", index, "allow", "", allowed);
        }
        let tls = self.source_tls(raw, index);
        let keeps_names = keeps_names(settings);
        let site = self.source_site(raw, index, (&strips, keeps_names));
        let listen = listen.filter(|_| self.faults.len() == before)?;
        Some(Source {
            site,
            listen,
            allow,
            tls,
            rejects: raw.store_down == "reject",
            max_open: raw.max_open,
            ask: (!raw.ask.is_empty()).then(|| raw.ask.clone()),
        })
    }

    /// What receivers say of orders that nobody sends here.
    pub(super) fn orders_named(&mut self, settings: &Settings) {
        let known: Vec<&str> = settings.source.iter().map(|source| source.id.as_str()).collect();
        for (index, receiver) in settings.receiver.iter().enumerate() {
            for id in receiver.orders_for.iter().filter(|id| !known.contains(&id.as_str())) {
                let allowed = match known.is_empty() {
                    true => "nothing: there is no [[source]]".to_owned(),
                    false => format!("ids of sources: {}", known.join(", ")),
                };
                self.fault("receiver", index, "orders_for", id, allowed);
            }
            let asks = [("patient", &receiver.patient), ("filler", &receiver.filler)];
            for (key, word) in asks.into_iter().filter(|(_, word)| word.starts_with("ordered")) {
                if known.is_empty() {
                    let allowed =
                        "another: there is no [[source]] whose orders could say it".to_owned();
                    self.fault("receiver", index, key, word, allowed);
                } else if key == "patient" && !keeps_names(settings) {
                    let allowed =
                        "\"never\": with orders.patient_store = \"no\" nothing of a patient is kept to be sent".to_owned();
                    self.fault("receiver", index, key, word, allowed);
                }
            }
        }
    }

    /// Where a source is asked: a receiver with an address, in a version that has the question, about what is held.
    pub(super) fn asked(
        &mut self,
        settings: &Settings,
        sources: &[Arc<Source>],
        targets: &[Target],
    ) {
        for (index, raw) in
            settings.source.iter().enumerate().filter(|(_, raw)| !raw.ask.is_empty())
        {
            let source = sources.iter().find(|source| source.site.name == raw.id);
            let receiver = targets.iter().find(|target| target.id == raw.ask);
            let known: Vec<&str> = settings.receiver.iter().map(|r| r.id.as_str()).collect();
            let allowed = if !known.contains(&raw.ask.as_str()) {
                format!("the id of a receiver: {}", known.join(", "))
            } else if receiver
                .is_some_and(|r| r.addresses.iter().any(|a| matches!(a, Address::Folder(_))))
            {
                "a receiver with an address: a folder answers nothing".to_owned()
            } else if settings.orders.without_order == "send" {
                "empty with orders.without_order = \"send\": nothing would wait for an answer"
                    .to_owned()
            } else if source.is_some_and(|s| !s.site.versions.iter().any(|v| v.has_spm())) {
                "empty where `versions` ends before 2.5: the question is not in them".to_owned()
            } else {
                continue;
            };
            self.fault("source", index, "ask", &raw.ask, allowed);
        }
    }

    fn allowed_peers(&mut self, raw: &SourceKeys, index: usize) -> Vec<IpAddr> {
        let one = |text: &String| {
            let parsed = text.parse::<IpAddr>().ok().filter(|ip| !ip.is_unspecified());
            let allowed = "the address of one machine, such as \"192.0.2.20\"".to_owned();
            self.good("source", index, "allow", text, parsed.ok_or(allowed))
        };
        raw.allow.iter().filter_map(one).collect()
    }

    fn source_tls(&mut self, raw: &SourceKeys, index: usize) -> Option<Serving> {
        let path = |text: &str| -> PathBuf { self.folder().join(text) };
        let serving = match (raw.certificate.is_empty(), raw.key.is_empty()) {
            (true, true) if raw.ca.is_empty() => return None,
            (true, true) => {
                let allowed = "ours, and `key`: who asks others for one speaks TLS".to_owned();
                self.fault("source", index, "certificate", "", allowed);
                return None;
            }
            (false, false) => Serving {
                certificate: path(&raw.certificate),
                key: path(&raw.key),
                clients: (!raw.ca.is_empty()).then(|| path(&raw.ca)),
            },
            (without, _) => {
                let (key, allowed) = match without {
                    true => ("certificate", "the certificate of `key`"),
                    false => ("key", "the private key of `certificate`"),
                };
                self.fault("source", index, key, "", allowed.to_owned());
                return None;
            }
        };
        for (key, why) in serving.faults() {
            let found = match key {
                "key" => &raw.key,
                "ca" => &raw.ca,
                _ => &raw.certificate,
            };
            self.fault("source", index, key, found, why);
        }
        self.secret("source", index, "key", &serving.key);
        Some(serving)
    }

    fn source_site(
        &mut self,
        raw: &SourceKeys,
        index: usize,
        (strips, keeps_names): (&[&Strip], bool),
    ) -> Site {
        let said = |text: &String| (!text.is_empty()).then(|| text.clone());
        let versions = raw.versions.iter().filter_map(|text| {
            self.good("source", index, "versions", text, text.parse::<Version>())
        });
        let versions: Vec<Version> = versions.collect();
        let law = raw.profile == "law";
        if versions.is_empty() {
            self.fault("source", index, "versions", "", "one version at least".to_owned());
        } else if law && versions.iter().any(|version| *version != Version::V251) {
            let allowed = "[\"2.5.1\"] with profile = \"law\"".to_owned();
            self.fault("source", index, "versions", &raw.versions.join(", "), allowed);
        }
        Site {
            profile: if law { Profile::Law } else { Profile::Hl7 },
            versions,
            parties: [
                said(&raw.sending_application),
                said(&raw.sending_facility),
                said(&raw.application),
                said(&raw.facility),
            ],
            processing: raw.processing.clone(),
            charset: match raw.charset.as_str() {
                "8859/1" => Some(Charset::Latin1),
                "utf-8" => Some(Charset::Utf8),
                _ => None,
            },
            lenient_lf: raw.line_feeds,
            key: match raw.order_key.as_str() {
                "orc-2+obr-4" => OrderKey::PlacerAndTest,
                "obr-3" => OrderKey::Filler,
                _ => OrderKey::Placer,
            },
            specimen_from: specimen_from(&raw.specimen_from),
            tests: self.tests(raw, index, strips),
            specimen_types: raw.specimen_types.clone(),
            controls: raw.control_specimens.clone(),
            patient_type: said(&raw.patient_type),
            absent_is_new: raw.absent_is_new,
            plain: raw.answer == "plain",
            refusals_accepted: raw.refusal == "AA",
            // What is answered is kept, to be answered again.
            echo_patient: raw.name_patient && keeps_names,
            keeps_names,
            max_orders: raw.max_orders,
            ..Site::new(&raw.id)
        }
    }

    /// Codes of OBR-4 and the pads that they mean.
    fn tests(
        &mut self,
        raw: &SourceKeys,
        index: usize,
        strips: &[&Strip],
    ) -> Vec<(String, Vec<Text>)> {
        let mut tests: Vec<(String, Vec<Text>)> = Vec::new();
        if raw.tests.is_empty() {
            let allowed = "one test at least: without any, every order would be refused".to_owned();
            self.fault("source", index, "tests", "", allowed);
        }
        for text in &raw.tests {
            let known = |code: &str| tests.iter().any(|(own, _)| own == code);
            let meant = meant(text, strips).and_then(|(code, pads)| match known(&code) {
                true => Err(format!("each code once: {code} stands there already")),
                false => Ok((code, pads)),
            });
            tests.extend(self.good("source", index, "tests", text, meant));
        }
        tests
    }
}

fn specimen_from(text: &str) -> SpecimenFrom {
    match text {
        "spm-2.1" => SpecimenFrom::Spm2Placer,
        "spm-2.2" => SpecimenFrom::Spm2Filler,
        "sac-3" => SpecimenFrom::Sac3,
        "obr-2" => SpecimenFrom::Obr2,
        "obr-3" => SpecimenFrom::Obr3,
        "orc-4" => SpecimenFrom::Orc4,
        "obr-18" => SpecimenFrom::Obr18,
        _ => SpecimenFrom::ByVersion,
    }
}

/// One entry of `tests`: a code, and the pads of a strip or of several strips that analyzers here have.
fn meant(text: &str, strips: &[&Strip]) -> Result<(String, Vec<Text>), String> {
    let form = || "CODE=STRIP or CODE=PAD PAD ...".to_owned();
    let (code, meaning) = text.split_once('=').ok_or_else(form)?;
    let (code, meaning) = (code.trim(), meaning.trim());
    if code.is_empty() || meaning.is_empty() {
        return Err(form());
    }
    if let Some(strip) = strips.iter().find(|strip| strip.id == meaning) {
        let pads = strip.pads.iter().map(|pad| Text::from(pad.id.as_str()));
        return Ok((code.to_owned(), pads.collect()));
    }
    let pads: Vec<&str> = meaning.split_ascii_whitespace().collect();
    let nowhere = pads.iter().find(|pad| !strips.iter().any(|strip| strip.pad(pad).is_some()));
    if let Some(pad) = nowhere {
        let mut known: Vec<&str> = strips.iter().map(|strip| strip.id.as_str()).collect();
        known.dedup();
        return Err(format!(
            "a strip of an analyzer here ({}) or pads of one; none has {}",
            known.join(", "),
            pad.escape_debug()
        ));
    }
    Ok((code.to_owned(), pads.into_iter().map(Text::from).collect()))
}
