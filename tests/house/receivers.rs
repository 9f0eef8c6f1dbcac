//! The recipes of deploy/receivers.md, read from the guide itself: each table is loaded into a daemon, a strip and a
//! run of control material are sent, and every line that stands beside the table must be in the message.

use std::path::Path;

use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Class, Run, Script};

use crate::kit::{Daemon, Folder, configuration, run, until};
use crate::material::{always_the_same, only};
use crate::way::{analyzer, runtime};

/// A `toml` fence, and the lines of the `hl7` fence behind it.
struct Recipe {
    id: String,
    table: String,
    lines: Vec<String>,
}

fn guide() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/receivers.md");
    std::fs::read_to_string(path).expect("the guide")
}

/// The fences of one kind, in order, each with the number of the line it begins on.
fn fences(guide: &str, kind: &str) -> Vec<(usize, String)> {
    let mut found: Vec<(usize, String)> = Vec::new();
    let mut inside = false;
    for (n, line) in guide.lines().enumerate() {
        if line.starts_with("```") {
            inside = !inside && line == format!("```{kind}");
            if inside {
                found.push((n, String::new()));
            }
        } else if inside && let Some((_, text)) = found.last_mut() {
            text.push_str(&format!("{line}\n"));
        }
    }
    found
}

fn recipes(guide: &str) -> Vec<Recipe> {
    let lines = fences(guide, "hl7");
    let receivers =
        fences(guide, "toml").into_iter().filter(|(_, t)| t.starts_with("[[receiver]]"));
    let recipe = |(at, table): (usize, String)| {
        let parsed: toml::Table = table.parse().expect("TOML");
        let id = parsed["receiver"][0]["id"].as_str().expect("an id").to_owned();
        let beside = lines.iter().find(|(n, _)| *n > at).expect("its message");
        let lines = beside.1.lines().map(str::to_owned).collect();
        Recipe { id, table, lines }
    };
    receivers.map(recipe).collect()
}

/// The tables of a recipe with a folder in place of the receiver's address.
fn into_a_folder(recipe: &Recipe) -> String {
    let folder = format!("address = \"dir:{}\"", recipe.id);
    let own = |line: &str| if line.starts_with("address") { folder.clone() } else { line.into() };
    recipe.table.lines().map(own).collect::<Vec<String>>().join("\n") + "\n"
}

/// A line of the guide: `...` stands for anything.
fn says(segment: &str, line: &str) -> bool {
    let mut rest = segment;
    let mut parts = line.split("...").enumerate().peekable();
    while let Some((n, part)) = parts.next() {
        let last = parts.peek().is_none();
        let at = match (n, last) {
            (0, _) if !rest.starts_with(part) => None,
            (_, true) if !rest.ends_with(part) => None,
            (0, true) if rest != part => None,
            _ => rest.find(part),
        };
        let Some(at) = at else { return false };
        rest = &rest[at + part.len()..];
    }
    true
}

#[test]
fn a_line_of_the_guide_can_say_no() {
    let segment = "OBX|4|NM|a^b|1|400|||H|||F|x";
    for good in [segment, "OBX|...|F|...", "...", "OBX|4|...|400|||H|||F|x"] {
        assert!(says(segment, good), "{good}");
    }
    for bad in ["OBX|4", "OBX|4|NM|a^b|1|400|||A|||F|x", "OBX|...|401|...", "OBX|...|F", "|..."] {
        assert!(!says(segment, bad), "{bad}");
    }
}

#[test]
fn each_recipe_of_the_guide_sends_what_stands_beside_it() {
    let (folder, guide) = (Folder::new("recipes"), guide());
    let recipes = recipes(&guide);
    assert!(recipes.len() >= 9, "{} recipes", recipes.len());
    let tables: String = recipes.iter().map(into_a_folder).collect();
    let shared = fences(&guide, "toml").remove(0).1;
    let keys = "serial = \"A-20417\"\nmodel = \"STRIP-2\"\ncontrol_levels = [\"1\"]\n\
                controls_due = \"off\"\ncontrols_failed = \"off\"\ncontrol_marks";
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &tables)
        .replace("[[analyzer]]", &format!("{shared}[[analyzer]]"))
        .replace("control_marks", keys);
    let config = folder.write("wickline.toml", &text);
    runtime().block_on(async {
        let daemon = Daemon::start(&config);
        let port = SimPort::connect(&daemon.lines[0]).await.expect("it listens");
        let mut bench = analyzer(port, Style::Lis02);
        let strip = Run {
            number: "57".into(),
            specimen: "KP-20417".into(),
            rungs: [("GLU".to_owned(), 3), ("PH".to_owned(), 7)].into(),
            ..Run::default()
        };
        let control = Run {
            number: "58".into(),
            specimen: "QC-L1".into(),
            class: Class::Control,
            ..Run::default()
        };
        let script = Script { sender: "SIM".into(), run: vec![strip, control] };
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        for Recipe { id, lines, .. } in &recipes {
            until(|| only(&folder.0.join(id)).is_some());
            let sent = std::fs::read(only(&folder.0.join(id)).expect("one")).expect("read");
            let sent = always_the_same(&String::from_utf8(sent).expect("text"));
            for line in lines {
                assert!(sent.lines().any(|s| says(s, line)), "{id}: {line}\n{sent}");
            }
            let results = |text: &str| text.lines().filter(|l| l.starts_with("OBX")).count();
            assert!(results(&lines.join("\n")) > 0, "{id} shows no result");
        }
        assert_eq!(daemon.stop(), 0);
    });
}

/// What the guide says of `check`.
#[test]
fn what_is_outside_the_standard_is_named_by_check() {
    let folder = Folder::new("observed");
    let keys = "observed = \"left-out\"";
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", keys);
    let config = folder.write("wickline.toml", &text);
    let out = run(&config, &["check", "--offline"]);
    let said = String::from_utf8_lossy(&out.stdout).into_owned();
    assert!(said.contains("OBR-7 stays empty, which is outside the standard"), "{said}");
    let text = text.replace(keys, "");
    let config = folder.write("wickline.toml", &text);
    let out = run(&config, &["check", "--offline"]);
    assert!(!String::from_utf8_lossy(&out.stdout).contains("OBR-7"));
}
