//! The keys of alarms: where they go, what they are about, when.

use super::Allowed::{Text, Texts, Whole};
use super::{Key, key};

pub(super) const KEYS: &[Key] = &[
    key("alarm", "id", Text(16), None, "\"night\"", "Its name: letters, digits and hyphens."),
    key(
        "alarm",
        "to",
        Text(400),
        None,
        "\"mailto:it@kestrelpoint.example\"",
        "https://HOST/PATH or http://HOST/PATH (a POST of JSON), or mailto:ADDRESS (by `command`). What stands behind \
         the host is shown nowhere.",
    ),
    key(
        "alarm",
        "ca",
        Text(400),
        Some("\"\""),
        "\"/etc/ssl/certs/ca-certificates.crt\"",
        "For https: the certificate authorities to trust, PEM; those of the web are in the file shown here.",
    ),
    key(
        "alarm",
        "command",
        Texts,
        Some("[\"/usr/sbin/sendmail\", \"-t\", \"-i\"]"),
        "",
        "For mailto: a program that sends the mail on its standard input, with its arguments; no shell reads them.",
    ),
    key(
        "alarm",
        "about",
        Texts,
        Some("[]"),
        "[\"daemon\", \"store\", \"line\", \"receiver\"]",
        "What is told, by the words that `wickline status` has in its column `what`; empty: everything.",
    ),
    key(
        "alarm",
        "after_minutes",
        Whole(0, 1_440),
        Some("5"),
        "",
        "Minutes that something must last before it is told.",
    ),
    key(
        "alarm",
        "again_hours",
        Whole(0, 168),
        Some("12"),
        "",
        "Hours after which it is told again while it lasts; 0: never.",
    ),
    key(
        "alarm",
        "quiet",
        Text(11),
        Some("\"\""),
        "\"22:00-06:00\"",
        "Hours of the site in which only what cannot wait is told: a store that cannot be worked with or has a notice \
         (a backup that failed waits), a daemon, urgent reports held or refused, a queue that is late. The rest is \
         told when they are over, if it is still so.",
    ),
];
