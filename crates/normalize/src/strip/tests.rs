//! Strips: the shipped ones are sound, and a bad one is refused with its place.

use super::Strip;

#[test]
fn every_shipped_strip_is_read() {
    for (name, text) in [
        ("ten-pad", include_str!("../../../../config/strips/ten-pad.toml")),
        ("eleven-pad", include_str!("../../../../config/strips/eleven-pad.toml")),
        ("twelve-pad", include_str!("../../../../config/strips/twelve-pad.toml")),
    ] {
        let own = text.replace(&format!("id = \"{name}\""), "id = \"own\"");
        if let Err(faults) = Strip::parse(&own, name) {
            panic!("{}", faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"));
        }
        assert!(Strip::builtin(name).is_some(), "{name}");
    }
}
