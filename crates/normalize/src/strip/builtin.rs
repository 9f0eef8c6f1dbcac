//! The strips that come with the program: invented, not any maker's.

use std::sync::OnceLock;

use super::{Strip, load};

pub(super) const NAMES: &[&str] = &["ten-pad", "eleven-pad", "twelve-pad", "fourteen-pad"];

const TEXTS: [&str; 4] = [
    include_str!("../../../../config/strips/ten-pad.toml"),
    include_str!("../../../../config/strips/eleven-pad.toml"),
    include_str!("../../../../config/strips/twelve-pad.toml"),
    include_str!("../../../../config/strips/fourteen-pad.toml"),
];

/// Read once; a fault in a file of our own shows in the tests, never here.
pub(super) fn read(name: &str) -> Option<&'static Strip> {
    static READ: [OnceLock<Option<Strip>>; 4] = [const { OnceLock::new() }; 4];
    let which = NAMES.iter().position(|n| *n == name)?;
    let (text, read) = (TEXTS.get(which)?, READ.get(which)?);
    read.get_or_init(|| load::strip(text, &format!("{name}.toml"), false).ok()).as_ref()
}
