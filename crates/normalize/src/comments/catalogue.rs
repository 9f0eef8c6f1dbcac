//! Comments that a laboratory may turn on, each with a source that a reader can look up: title, journal, year, DOI or
//! PubMed number; what has none says that it is common practice. None is on by itself.
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
    /// The publication that it rests on, as it can be looked up.
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

/// What disturbs nitrite, leukocytes, glucose, protein, specific gravity and the coloured pads, in one table.
const REVIEW: &str =
    "Urinalysis: a comprehensive review, Am Fam Physician 2005;71:1153, PMID 15791892";

/// What disturbs the blood pad: cells that lyse in dilute urine, acid and alkaline urine. DOI from memory.
const HEMATURIA: &str =
    "How to evaluate 'dipstick hematuria', Cleve Clin J Med 2008;75:227, doi 10.3949/ccjm.75.3.227";

/// Every comment that comes with the program.
pub const CATALOGUE: &[Entry] = &[
    Entry {
        code: "UA-INT-ASC",
        when: When::All,
        conditions: &["ASC >= 1+"],
        about: &["GLU", "BLD", "LEU", "BIL", "NIT"],
        text: "Ascorbic acid present: glucose and blood, also leukocytes, bilirubin and nitrite, may \
               read falsely low or negative.",
        source: "The influence of vitamin C on the urine dipstick tests in the clinical specimens, \
                 J Clin Lab Anal 2017;31(5), \
                 doi 10.1002/jcla.22080; High incidence of significant urinary ascorbic acid concentrations in a west \
                 coast population, Clin Chem 1992;38:426, PMID 1547565",
    },
    Entry {
        code: "UA-INT-SG-HIGH",
        when: When::All,
        conditions: &["SG >= 1.025"],
        about: &["LEU", "NIT", "GLU", "BLD", "PRO"],
        text: "Concentrated urine: leukocytes, nitrite, glucose and blood may read falsely low, \
               protein falsely high.",
        source: REVIEW,
    },
    Entry {
        code: "UA-INT-SG-LOW",
        when: When::All,
        conditions: &["SG <= 1.010"],
        about: &["BLD", "PRO"],
        text: "Dilute urine: cells may have lysed so that blood reads high, and protein may be missed.",
        source: HEMATURIA,
    },
    Entry {
        code: "UA-INT-PH-HIGH",
        when: When::All,
        conditions: &["PH >= 8.0"],
        about: &["PRO", "SG"],
        text: "Alkaline urine: protein may read falsely high, specific gravity falsely low.",
        source: REVIEW,
    },
    Entry {
        code: "UA-INT-PH-LOW",
        when: When::All,
        // Below 6, whatever the steps of the ladder.
        conditions: &["PH <= 5.99"],
        about: &["NIT"],
        text: "Urine below pH 6: nitrite may read falsely low.",
        source: REVIEW,
    },
    Entry {
        code: "UA-INT-PH-LOW-BLD",
        when: When::All,
        conditions: &["PH <= 5.0"],
        about: &["BLD"],
        text: "Acid urine: blood may read falsely low.",
        source: HEMATURIA,
    },
    Entry {
        code: "UA-INT-LEU",
        when: When::Any,
        conditions: &["GLU >= 3+", "PRO >= 3+"],
        about: &["LEU"],
        text: "High glucose or protein: leukocytes may read falsely low.",
        source: REVIEW,
    },
    Entry {
        code: "UA-INT-COLOUR",
        when: When::All,
        conditions: &["COL = ORANGE|RED|BROWN"],
        about: &["NIT", "BIL", "KET", "URO"],
        text: "Coloured urine: pigment may falsify nitrite, bilirubin, ketones and urobilinogen.",
        source: REVIEW,
    },
    Entry {
        code: "UA-NIT-NEG",
        when: When::All,
        conditions: &["NIT = NEG", "LEU >= 1+"],
        about: &["NIT"],
        text: "Leukocytes with a negative nitrite: bacteriuria is not excluded.",
        source: "Performance of the dipstick screening test as a predictor of negative urine culture, \
                 Einstein (Sao Paulo) \
                 2017;15:34, doi 10.1590/S1679-45082017AO3936: sensitivity of nitrite 28 %",
    },
    Entry {
        code: "UA-MICRO",
        when: When::Any,
        conditions: &["BLD >= TR", "PRO >= TR", "LEU >= TR", "NIT = POS"],
        about: &[],
        text: "Microscopy is suggested: blood, protein, leukocytes or nitrite positive.",
        source: "'Routine urinalysis': is the dipstick enough? JAMA 1985;253:1596, \
                 doi 10.1001/jama.1985.03350350090028",
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
        source: "Usefulness of macroscopic urinalysis as a screening procedure, Am J Clin Pathol 1979;71:452: \
                 microscopy where the \
                 macroscopic examination is positive; glucose is common practice",
    },
    Entry {
        code: "UA-MICRO-SEDIMENT",
        when: When::Any,
        conditions: &["PRO >= 2+", "BLD >= 3+"],
        about: &[],
        text: "Manual microscopy of the sediment is suggested: much protein or blood.",
        source: "common practice of university laboratories; no publication known",
    },
];
