//! Rules: what a configuration may say.

use super::Rules;

#[test]
fn rules_survive_being_written_and_read() {
    let mut rules = Rules::default();
    rules.add_control_mark("Q1=1").expect("a mark");
    rules.add_control_mark("Q").expect("a mark without level");
    rules.add_control_specimen("QC-L2[0-9]{4}=2").expect("a pattern");
    rules.add_stat_mark("S").expect("a mark");
    rules.add_reference("PH", "5.0-8.0").expect("an interval");
    rules.add_reference("GLU", "NEG").expect("a grade");
    rules.add_reference("COL", "DARK-YELLOW").expect("a colour");
    let text = toml::to_string(&rules).expect("rules are text");
    assert_eq!(toml::from_str::<Rules>(&text).expect("as written"), rules);
    assert!(toml::from_str::<Rules>("specimens = \"x\"").is_err(), "unknown keys are refused");
}

#[test]
fn what_cannot_be_meant_is_refused() {
    let mut rules = Rules::default();
    for text in ["", "=1", "Q=", "Q=toolonglevel", "12", "7=1"] {
        assert!(rules.add_control_mark(text).is_err(), "{text}");
    }
    assert!(rules.add_stat_mark("").is_err() && rules.add_stat_mark("5").is_err());
    assert!(rules.add_reference("GLUC", "NEG").expect_err("no id").contains("GLU"));
    assert!(rules.set_specimen("[A-Z").is_err());
    assert_eq!(rules, Rules::default(), "a refused text changes nothing");
}

#[test]
fn a_specimen_id_is_a_persons_only_when_it_can_be() {
    let mut rules = Rules::default();
    rules.add_control_specimen("QC-*").expect("a pattern");
    rules.specimen_length_max = 12;
    for id in ["KP-10023", "KP-100231002"] {
        assert_eq!(rules.check_specimen(id, Some("0012")), Ok(()), "{id}: twelve at most");
    }
    for (id, why) in [
        ("", "blank"),
        ("   ", "blank"),
        ("0012", "test number"),
        ("0000", "repeated"),
        ("-----", "repeated"),
        ("KP-1002310023", "longer"),
        ("QC-L1", "control material"),
        ("KP", "look like"),
        ("KP 10023", "look like"),
        (" KP10023", "look like"),
        ("KP10023\u{0}", "look like"),
    ] {
        let found = rules.check_specimen(id, Some("0012")).expect_err(id);
        assert!(found.contains(why), "{id:?}: {found}");
    }
}

#[test]
fn an_external_sign_that_could_be_anybodys_is_refused() {
    let faults = |specimen: &str, controls: &[&str], external: &str| {
        let mut rules = Rules::default();
        rules.set_specimen(specimen).expect("a pattern");
        controls.iter().for_each(|c| rules.add_control_specimen(c).expect("a pattern"));
        rules.add_external_quality(external).expect("a pattern");
        rules.faults(&[])
    };
    let usual = "[A-Za-z0-9-]{4,20}";
    // Where an id fits both the external sign wins, so that it must bear letters of its own.
    for (specimen, external) in
        [(usual, "EQA-[0-9]{4}"), (usual, "EQ[0-9]{6}"), ("KP-[0-9]{5}", "[0-9]{8}")]
    {
        assert_eq!(faults(specimen, &["QC-*=1"], external), [""; 0], "{external}");
    }
    for (specimen, external) in [
        (usual, "[0-9]{8}"),
        (usual, "[A-Z0-9-]{4,20}"),
        (usual, "*"),
        (usual, "E*"),
        ("KP-[0-9]{5}", "K*"),
        ("[0-9]{8,10}", "9[0-9]{7}"),
    ] {
        let found = faults(specimen, &[], external);
        assert_eq!(found.len(), 1, "{external}: {found:?}");
        assert!(found[0].contains("external quality"), "{}", found[0]);
    }
    let mut rules = Rules::default();
    rules.add_external_quality("EQA-[0-9]{4}").expect("a pattern");
    let told = |rules: &Rules| {
        let notes = rules.notes(&[]);
        notes.into_iter().filter(|n| n.starts_with("external quality")).collect::<Vec<_>>()
    };
    assert!(told(&rules)[0].contains("`EQA-0000` and its like"), "{:?}", told(&rules));
    rules.set_specimen("KP-[0-9]{5}").expect("a pattern");
    assert_eq!(told(&rules), [""; 0]);
    let found = faults(usual, &["*-QC=1"], "EQA-[A-Z0-9]{2}");
    assert!(found[0].contains("EQA-QC") && found[0].contains("*-QC=1"), "{found:?}");
}

#[test]
fn no_level_of_our_own_is_called_external() {
    let mut rules = Rules::default();
    assert!(rules.add_control_mark("Q1=external").is_err());
    assert!(rules.add_control_specimen("QC-*=external").is_err());
    assert!(rules.add_leading_digit("9xxx=control:external").is_err());
}
