//! Comments that a laboratory may turn on, each with its published source. None is on by itself.
//!
//! Left out because no strip shows when they are called for: light chains with a negative protein
//! pad, 3-hydroxybutyrate with negative ketones, cells not found by a microscope.

use crate::comments::{CommentRule, When};

/// One comment of the catalogue, as a configuration would write it.
#[derive(Debug)]
pub struct Entry {
    /// Stable, and what a configuration turns on.
    pub code: &'static str,
    /// Whether all conditions must be met or any one.
    pub when: When,
    /// As [`crate::comments::Condition`] is written.
    pub conditions: &'static [&'static str],
    /// Analyte ids; empty: the whole report.
    pub about: &'static [&'static str],
    /// What goes out as a note.
    pub text: &'static str,
    /// The publication that it rests on.
    pub source: &'static str,
}

impl Entry {
    /// As a rule.
    ///
    /// An error would be a mistake of ours in the catalogue; a test builds each.
    pub fn rule(&self) -> Result<CommentRule, String> {
        let Entry { code, when, conditions, about, text, source } = self;
        CommentRule::new(code, *when, conditions, about, text, source)
    }
}

/// The entry of a code.
#[must_use]
pub fn find(code: &str) -> Option<&'static Entry> {
    CATALOGUE.iter().find(|e| e.code == code)
}

/// Every comment that comes with the program.
pub const CATALOGUE: &[Entry] = &[
    Entry {
        code: "UA-INT-ASC",
        when: When::All,
        conditions: &["ASC >= 1+"],
        about: &["GLU", "BLD", "LEU", "BIL", "NIT"],
        text: "Ascorbic acid present: glucose and blood, also leukocytes, bilirubin and nitrite, may \
               read falsely low or negative.",
        source: "Clin Chem 1992;38:426; J Clin Lab Anal 2017, doi 10.1002/jcla.22080",
    },
    Entry {
        code: "UA-INT-SG-HIGH",
        when: When::All,
        conditions: &["SG >= 1.025"],
        about: &["LEU", "NIT", "GLU", "BLD", "PRO"],
        text: "Concentrated urine: leukocytes, nitrite, glucose and blood may read falsely low, \
               protein falsely high.",
        source: "clinical teaching pages (IMG, LITFL, FPN)",
    },
    Entry {
        code: "UA-INT-SG-LOW",
        when: When::All,
        conditions: &["SG <= 1.010"],
        about: &["BLD", "PRO"],
        text: "Dilute urine: cells may have lysed so that blood reads high, and protein may be missed.",
        source: "clinical teaching pages (IMG); protein and specific gravity study, Japan 2008",
    },
    Entry {
        code: "UA-INT-PH-HIGH",
        when: When::All,
        conditions: &["PH >= 8.0"],
        about: &["PRO"],
        text: "Alkaline urine: protein may read falsely high.",
        source: "clinical teaching pages (LITFL, FPN)",
    },
    Entry {
        code: "UA-INT-PH-LOW",
        when: When::All,
        conditions: &["PH <= 5.0"],
        about: &["BLD", "NIT"],
        text: "Acid urine: blood and nitrite may read falsely low.",
        source: "clinical teaching pages (FPN, IMG)",
    },
    Entry {
        code: "UA-INT-LEU",
        when: When::Any,
        conditions: &["GLU >= 3+", "PRO >= 3+"],
        about: &["LEU"],
        text: "High glucose or protein: leukocytes may read falsely low.",
        source: "clinical teaching pages (LITFL, FML)",
    },
    Entry {
        code: "UA-INT-COLOUR",
        when: When::All,
        conditions: &["COL = ORANGE|RED|BROWN"],
        about: &["NIT", "BIL", "KET", "URO"],
        text: "Coloured urine: pigment may falsify nitrite, bilirubin, ketones and urobilinogen.",
        source: "laboratory education course pages (LABED); hospital test pages (HOSP)",
    },
    Entry {
        code: "UA-NIT-NEG",
        when: When::All,
        conditions: &["NIT = NEG", "LEU >= 1+"],
        about: &["NIT"],
        text: "Leukocytes with a negative nitrite: bacteriuria is not excluded.",
        source: "Einstein (Sao Paulo) 2017, dipstick and culture: sensitivity of nitrite 28 %",
    },
    Entry {
        code: "UA-MICRO",
        when: When::Any,
        conditions: &["BLD >= TR", "PRO >= TR", "LEU >= TR", "NIT = POS"],
        about: &[],
        text: "Microscopy is suggested: blood, protein, leukocytes or nitrite positive.",
        source: "JAMA 1985;253:1596; Am J Clin Pathol 1979;71:452; hospital catalogues (AVH, SINAI)",
    },
    Entry {
        code: "UA-MICRO-WIDE",
        when: When::Any,
        conditions: &[
            "BLD >= TR",
            "PRO >= TR",
            "LEU >= TR",
            "NIT = POS",
            "GLU >= 3+",
            "CLA = SLIGHTLY-CLOUDY|CLOUDY|TURBID",
        ],
        about: &[],
        text: "Microscopy is suggested: blood, protein, leukocytes or nitrite positive, glucose high, \
               or the urine cloudy.",
        source: "medicalalgorithms.com, criteria for microscopic urinalysis (MEDALG)",
    },
    Entry {
        code: "UA-MICRO-SEDIMENT",
        when: When::Any,
        conditions: &["PRO >= 2+", "BLD >= 3+"],
        about: &[],
        text: "Manual microscopy of the sediment is suggested: much protein or blood.",
        source: "university laboratory catalogue (NIIG)",
    },
];
