//! The demonstration: it goes as scripted, shows a print beside the message that it became, and names only what is
//! still there to be looked at.

use crate::hints::hints;
use crate::kit::{Folder, program, run};

/// The text of a demonstration that went as scripted.
fn demo(more: &[&str], folder: &Folder) -> String {
    let output = program()
        .args(["demo", "--reports", "24"])
        .args(more)
        .env("TMPDIR", &folder.0)
        .current_dir(&folder.0)
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}{}", String::from_utf8_lossy(&output.stderr));
    said
}

#[test]
fn a_print_stands_beside_its_message_and_what_is_gone_is_not_named() {
    let folder = Folder::new("demo");
    let said = demo(&[], &folder);
    let (_, shown) = said.split_once("as bench-2 printed it").expect("a result is shown");
    // The print of the two-column dialect has a line a pad; the message has them as OBX of version 2.5.1.
    let glucose: Vec<&str> = shown.lines().filter(|l| l.contains("GLU")).collect();
    assert!(
        glucose.iter().any(|l| l.split('|').next().is_some_and(|p| p.contains("GLU"))),
        "{shown}"
    );
    assert!(shown.contains("| MSH|^~\\&|WICKLINE|KESTRELPOINT|"), "{shown}");
    assert!(shown.contains("| OBX|1|"), "{shown}");
    assert!(said.contains("accepted after 1 try\n"), "{said}");
    assert!(!said.contains("1 tries"), "{said}");
    assert!(said.contains("gone with its folder"), "{said}");
    // What the information system ordered went back to it as ordered; of what nobody ran it has nothing.
    for told in ["NW K884408: AA OK", "answers K884407, as ordered", "answers K884408, as ordered"]
    {
        assert!(said.contains(told), "{told}: {said}");
    }
    assert!(said.contains("K884499 of KP-20499 waits for its strip"), "{said}");
    assert!(!said.contains("answers K884499"), "{said}");
    // Its own folder went with it.
    assert_eq!(std::fs::read_dir(&folder.0).expect("a folder").count(), 0, "{said}");
}

#[test]
fn what_was_kept_can_be_looked_at_by_the_commands_that_it_names() {
    let folder = Folder::new("demo-kept");
    let kept = folder.0.join("kept");
    let said = demo(&["--keep", kept.to_str().expect("text")], &folder);
    let commands = hints(said.rsplit("Kept in").next().expect("an end"));
    assert_eq!(commands.len(), 3, "{said}");
    for command in commands {
        let words: Vec<&str> = command.split(' ').skip(3).collect();
        let output = run(&kept.join("wickline.toml"), &words);
        let code = output.status.code();
        // Something is held, and says so; an order that waits is nothing wrong.
        assert_eq!(code, Some(i32::from(!command.ends_with("orders"))), "{command}");
    }
}
