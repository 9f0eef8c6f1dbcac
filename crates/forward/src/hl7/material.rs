//! Which control material a message is of, in coded fields: its level, its lot and the day that it expires.
//!
//! By specimen (OUL^R22) that is INV, behind the SAC that its group begins with (HL7 v2.5.1 chapter 13). ORU^R01 has
//! no INV: there each is an OBX, behind SPM a property of the specimen (chapter 7); where no SPM is sent they follow
//! the results, under codes of our own that no pad has.

use wickline_normalize::Moment;

use super::layout::Layout;
use super::report::ControlRole;
use super::results::{OBX_3, OBX_5, Triplet, coded};
use super::write::{EncodeFault, Field, Writer};

const LEVEL: &str = "CONTROL-LEVEL";
const LOT: &str = "CONTROL-LOT";
const EXPIRY: &str = "CONTROL-EXPIRY";

/// True for the OBX-3.1 of what is said of the material: no result.
pub(super) fn is_of_material(code: &str) -> bool {
    matches!(code, LEVEL | LOT | EXPIRY)
}

/// In words, for people.
pub(super) fn in_words(control: ControlRole<'_>) -> String {
    let lot = control.lot.map_or(String::new(), |lot| format!(", lot {lot}"));
    let day = control.expires.map_or(String::new(), |day| format!(", expires {}", day.digits()));
    format!("Control level {}{lot}{day}", control.level)
}

/// SAC and INV: `container` is what the specimen is called.
pub(super) fn inventory(
    w: &mut Writer,
    layout: &Layout,
    control: ControlRole<'_>,
    container: &str,
    taken: Option<Moment>,
) -> Result<(), EncodeFault> {
    w.segment("SAC");
    w.fields(3);
    w.id(Field::private("SAC-3", 80), container)?;
    w.segment("INV");
    w.fields(1);
    w.id(Field::new("INV-1.1", 20), control.level)?;
    w.component();
    w.words(Field::new("INV-1.2", 199), &level_text(control))?;
    w.component();
    w.plain(&layout.local_system);
    // Table 0383: the day of expiry itself is still good.
    let expired =
        control.expires.zip(taken).is_some_and(|(last, at)| at.digits()[..8] > last.digits()[..8]);
    w.fixed(1, if expired { "EE^Expired Error^HL70383" } else { "OK^OK Status^HL70383" });
    w.fixed(1, "CO^Control^HL70384");
    w.fixed(9, &control.expires.map_or(String::new(), |day| day.digits()));
    w.fields(4);
    w.id(Field::new("INV-16", 200), control.lot.unwrap_or(""))
}

/// One OBX each, numbered on from `before`.
pub(super) fn observations(
    w: &mut Writer,
    layout: &Layout,
    control: ControlRole<'_>,
    before: usize,
) -> Result<(), EncodeFault> {
    let mut count = before;
    let mut begin = |w: &mut Writer, kind, code, text| {
        count += 1;
        w.segment("OBX");
        w.count(count);
        w.fixed(1, kind);
        w.fields(1);
        let own = Triplet::local(code, text, layout);
        coded(w, &OBX_3, own, None)?;
        // OBX-4 is always there in 2.3.1 alone, which takes no control material.
        w.fields(2);
        Ok::<(), EncodeFault>(())
    };
    begin(w, "CE", LEVEL, "Control level")?;
    coded(w, &OBX_5, Triplet::local(control.level, &level_text(control), layout), None)?;
    w.fixed(6, "F");
    if let Some(lot) = control.lot {
        begin(w, "ST", LOT, "Control lot")?;
        w.id(Field::new("OBX-5", 199), lot)?;
        w.fixed(6, "F");
    }
    if let Some(day) = control.expires {
        begin(w, "DT", EXPIRY, "Control expiry date")?;
        w.plain(&day.digits()[..8]);
        w.fixed(6, "F");
    }
    Ok(())
}

fn level_text(control: ControlRole<'_>) -> String {
    format!("Control level {}", control.level)
}
