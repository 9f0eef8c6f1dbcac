//! Our question for the work of a specimen: QBP^Q11, as IHE's analyzer profile has it.
//!
//! Its answer (RSP^K11) says only that it was heard; the work comes as orders of their own. Name and coding system of
//! the query are from memory of the profile: ask the site before relying on them.

use wickline_normalize::{Moment, Private};

use crate::hl7::write::{EncodeFault, Field, Writer};
use crate::hl7::{Charset, Version, is_control_id};

/// Who asks whom.
#[derive(Clone, Copy, Debug)]
pub struct Asker<'a> {
    /// MSH-3 to MSH-6.
    pub parties: [&'a str; 4],
    /// MSH-11.
    pub processing: &'a str,
    /// MSH-12: 2.5 at least.
    pub version: Version,
    /// It says in MSH-21 that it is a question of that profile.
    pub law: bool,
}

const PARTIES: [&str; 4] = ["MSH-3.1", "MSH-4.1", "MSH-5.1", "MSH-6.1"];

/// Writes the question. `id` names it, as message and as query.
pub fn query(
    asker: Asker<'_>,
    specimen: &Private,
    (id, made): (&str, Moment),
) -> Result<Vec<u8>, EncodeFault> {
    if !is_control_id(id) {
        return Err(EncodeFault::new("MSH-10", "no control id", "1 to 20 of A-Z a-z 0-9 - _ ."));
    }
    if !asker.version.has_spm() || specimen.is_empty() {
        let found = "a question without a specimen, or before 2.5";
        return Err(EncodeFault::new("QPD-3", found, "a specimen id, from 2.5 on"));
    }
    let mut w = Writer::new(Charset::Ascii, 256);
    w.segment("MSH");
    w.plain("|^~\\&");
    for (name, party) in PARTIES.into_iter().zip(asker.parties) {
        w.fields(1);
        w.words(Field::new(name, 20), party)?;
    }
    w.fixed(1, &made.digits());
    w.fixed(2, "QBP^Q11^QBP_Q11");
    w.fixed(1, id);
    w.fields(1);
    w.id(Field::new("MSH-11", 3), asker.processing)?;
    w.fixed(1, asker.version.text());
    w.fixed(3, "NE");
    w.fixed(1, "AL");
    let at = w.position();
    if asker.law {
        w.fixed(5, "LAB-27^IHE");
    }
    w.segment("QPD");
    w.fixed(1, "WOS^Work Order Step^IHELAW");
    w.fixed(1, id);
    w.fields(1);
    w.id(Field::private("QPD-3", 80), specimen.expose())?;
    w.segment("RCP");
    w.fixed(1, "I");
    w.fixed(2, "R^Real Time^HL70394");
    Ok(w.finish((at, 2)))
}
