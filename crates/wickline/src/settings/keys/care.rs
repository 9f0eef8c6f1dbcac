//! The keys of the care log.

use super::Allowed::{OneOf, Text, Texts};
use super::{Key, key};

pub(super) const KEYS: &[Key] = &[
    key(
        "care",
        "name",
        Text(60),
        None,
        "\"Platform and tray cleaned\"",
        "What is done, in the words of the log.",
    ),
    key(
        "care",
        "every",
        OneOf(&["day", "week", "month", "canister", "control-vial"]),
        None,
        "\"day\"",
        "How often it is due; or whenever a strip canister, or a vial of control material, is opened: with its lot and \
         until when it may be used. An opened canister is the strip lot in use.",
    ),
    key(
        "care",
        "analyzers",
        Texts,
        Some("[\"*\"]"),
        "",
        "For which analyzers, by id; \"*\" is all.",
    ),
];
