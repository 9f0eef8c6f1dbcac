//! Another instrument at an analyzer, with the real binary: what everything says of it, and that a signed proof is of
//! the one before.

use crate::kit::{Daemon, Folder, ask, configuration, run};

#[test]
fn everything_says_since_when_and_a_signed_proof_is_of_the_one_before() {
    let folder = Folder::new("replaced");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let code = |words: &[&str]| run(&config, words).status.code();
    let signed = folder.0.join("signed.csv").display().to_string();
    let first = ask(&config, &["prove", "--csv", &signed]);
    let replace = ["analyzer", "replace", "bench-1", "--serial", "A-20418"];
    let done = [&replace[..], &["--reason", "service", "--as", "J. Mast"]].concat();
    assert_eq!(code(&done), Some(3), "an act makes no ledger");
    assert_eq!(Daemon::start(&config).stop(), 0, "the daemon does");
    let same = ask(&config, &["prove", "--compare", &signed]);
    assert_eq!(same["fingerprint"], first["fingerprint"]);
    assert_eq!(code(&replace), Some(2), "a reason is needed");
    assert_eq!(
        code(&["analyzer", "replace", "bench-9", "--serial", "A", "--reason", "x"]),
        Some(2)
    );
    assert_eq!(code(&done), Some(0));
    assert_eq!(code(&done), Some(2), "it is the one that stands there");

    let check = || String::from_utf8_lossy(&run(&config, &["check"]).stdout).into_owned();
    let said = check();
    assert!(said.contains("The configuration has no `serial`, so OBX-18 carries none"), "{said}");
    assert!(
        said.contains("serial A-20418 since ") && said.contains("serial = \"A-20418\""),
        "{said}"
    );
    for (serial, told) in [("A-10007", true), ("A-20418", false)] {
        let with = format!("dialect = \"lis02\"\nserial = \"{serial}\"");
        folder.write("wickline.toml", &text.replace("dialect = \"lis02\"", &with));
        let said = check();
        assert_eq!(said.contains("another stands there: serial A-20418"), told, "{said}");
        assert_eq!(said.contains("OBX-18 carries that one"), told, "{said}");
        assert!(!said.contains("OBX-18 carries none"), "{said}");
    }
    folder.write("wickline.toml", &text);

    let now = ask(&config, &["status"]);
    let all = now["items"].as_array().expect("items");
    let one = all.iter().find(|i| i["about"] == "instrument").expect("it is told");
    assert_eq!((&one["which"], &one["serial"]), (&"bench-1".into(), &"A-20418".into()));
    assert!(one["text"].as_str().is_some_and(|t| t.starts_with("serial A-20418 since ")), "{one}");
    let day = ask(&config, &["day"]);
    let told = day["replaced"][0].as_str().expect("told");
    assert!(told.contains("at bench-1: serial A-20418") && told.contains("before it"), "{told}");
    // The configuration names the new one, which says nothing of the one before.
    let with = text.replace("dialect = \"lis02\"", "dialect = \"lis02\"\nserial = \"A-20418\"");
    folder.write("wickline.toml", &with);
    let day = ask(&config, &["day"]);
    let told = day["replaced"][0].as_str().expect("told").to_owned();
    assert!(told.contains("before it one whose serial number nobody wrote down"), "{told}");
    folder.write("wickline.toml", &text);
    let trail = ask(&config, &["trail"]).to_string();
    assert!(trail.contains("\"replace\"") && trail.contains("J. Mast"), "{trail}");

    let other = ask(&config, &["prove", "--compare", &signed]);
    assert_ne!(other["fingerprint"], first["fingerprint"]);
    let facts = other["changed_facts"].to_string();
    assert!(facts.contains("instrument of analyzer bench-1: serial A-20418 since "), "{facts}");
    assert_eq!(other["changed_facts"].as_array().map(Vec::len), Some(1), "{facts}");
}
