//! `sketch` of prints with what an interface analyst stumbled over: an index, shortened labels, a class where an id is.

use wickline_listen::dialect;
use wickline_listen::ear::hear;
use wickline_normalize::Report;

use crate::sketch::draft;

/// Reports without a first line, each with a running index before its labels, a count, and one sign alone at its end.
const INDEXED: &str = "01 GLU  ASS\r02 PRO  +      0,3     g/L    A\r03 PH          6,0\rTOT 3\r\
ID:KP-50201 PR:7 14MAR26 0902\r#\r01 GLU  ++     16,7    mmol/L A\r02 PRO  ASS\r03 PH          7,5\rTOT 3\r\
ID:KP-50202 PR:8 14MAR26 0905\r#\r01 GLU  ASS\r02 PRO  ASS\r03 PH          6,0\rTOT 3\r\
ID: PR:9 14MAR26 0911\r#\r01 GLU  ASS\r02 PRO  ASS\r03 PH          6,0\rTOT 3\r\
ID:LIV1/L330 PR:Q1 14MAR26 0930 QC\r#\r";

#[test]
fn a_running_index_is_read_past_and_asked_about() {
    let draft = draft(&[INDEXED.as_bytes().to_vec()]);
    let text = &draft.dialect;
    assert_eq!((draft.readings, draft.reports), (12, 4), "{text}");
    for said in [
        "cells = [\"ignore\", \"label\", \"result\"]",
        "a running index that is read past",
        "last_line = [\"#\"]\nmust_end = true",
        "\"TOT {count}\"",
        "\"ID:{specimen?} PR:{number} {date} {time}\"",
        "does this line mean control material?\n    \"ID:{specimen?} PR:{number} {date} {time} QC\"",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    let own = dialect::parse(text, "draft").expect("it loads");
    let reports: Vec<Report> =
        hear(own.as_ref(), INDEXED.as_bytes()).iter().flat_map(|one| own.read(one)).collect();
    let ids: Vec<&str> =
        reports.iter().map(|r| r.specimen.as_ref().map_or("", |id| id.expose())).collect();
    assert_eq!(ids, ["KP-50201", "KP-50202", "", "LIV1/L330"]);
    let taken: Vec<String> =
        reports.iter().filter_map(|r| r.taken.map(|taken| taken.digits())).collect();
    assert_eq!(taken, ["202603140902", "202603140905", "202603140911", "202603140930"]);
}

/// Fields with tabs between them; labels that are cut short with a full stop, and a mark that stands in no list.
const SHORTENED: &str = "CLINICA - ORINA\r\nMuestra: KP-40551\r\nN.o 0201\t16/03/2026 09:12\r\nTecnico: RL\r\n\
Leucocitos\t2+\t75\t/uL\t~\r\nUrobilinog.\tnormal\t0.2\tmg/dL\t\r\nC. cetonicos\tneg\t\t\t\r\n\
Glucosa\tneg\t\t\t\r\nFin N.o 0201\r\n\
CLINICA - ORINA\r\nMuestra: KP-40552\r\nN.o 0202\t16/03/2026 09:14\r\nTecnico: RL\r\n\
Leucocitos\t3+\t500\t/uL\t~\r\nUrobilinog.\t1+\t2\tmg/dL\t~\r\nC. cetonicos\t1+\t15\tmg/dL\t~\r\n\
Glucosa\tneg\t\t\t\r\nFin N.o 0202\r\n\
CLINICA - ORINA\r\nMuestra: (sin id)\r\nN.o 0203\t16/03/2026 09:15\r\nTecnico: RL\r\n\
Leucocitos\tneg\t\t\t\r\nUrobilinog.\tnormal\t0.2\tmg/dL\t\r\nC. cetonicos\tneg\t\t\t\r\n\
Glucosa\tneg\t\t\t\r\nFin N.o 0203\r\n\
CLINICA - ORINA\r\nMuestra: CTRL A lote 9917\r\nN.o 0204\t16/03/2026 09:16\r\nTecnico: RL\r\n\
Leucocitos\tneg\t\t\t\r\nUrobilinog.\tnormal\t0.2\tmg/dL\t\r\nC. cetonicos\tneg\t\t\t\r\n\
Glucosa\tneg\t\t\t\r\nFin N.o 0204\r\n";

#[test]
fn a_specimen_is_no_number_a_class_is_not_read_past_and_shortened_labels_are_asked_about() {
    let draft = draft(&[SHORTENED.as_bytes().to_vec()]);
    let text = &draft.dialect;
    assert_eq!((draft.readings, draft.reports), (16, 4), "{text}");
    for said in [
        "\"Muestra: {specimen?}\"",
        "\"Muestra: (sin id)\"",
        "\"Tecnico: {operator?}\"",
        "\"Fin N.o {number}\"",
        "control = [\n    # ? does this line mean control material?\n    \"Muestra: CTRL {level} lote {lot}\"",
        "cells = [\"label\", \"grade\", \"value\", \"unit\", \"mark\"]",
        "\"~\" = \"other\"",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    assert!(!text.contains("Muestra: {any") && !text.contains("KP-"), "{text}");
    for asked in ["# ? is `Urobilinog.` Urobilinogen?", "# ? is `C. cetonicos` Ketones?"] {
        assert!(draft.strip.contains(asked), "{asked}: {}", draft.strip);
    }
}
