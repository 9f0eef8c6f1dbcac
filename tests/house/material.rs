//! What the daemon itself sends of control material that was run on its line: kept in fixtures/forward beside what
//! the encoder makes of invented reports, and judged with it by tests/outside. `WICKLINE_BLESS=1` writes it anew.

use std::path::{Path, PathBuf};

use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Class, Run, Script};

use crate::controls::material;
use crate::kit::{Daemon, Folder, configuration, until};
use crate::way::{analyzer, runtime};

/// Name of the kept message, and what its receiver asks for.
const RECEIVERS: [(&str, &str); 6] = [
    ("run-control-24", "version = \"2.4\""),
    ("run-control-25", "version = \"2.5\""),
    ("run-control-251", "version = \"2.5.1\"\ngrades = \"only\""),
    ("run-control-bare-251", "without = [\"SPM\"]\nspecimen_in = \"obr-2\""),
    ("run-oul-control-25", "version = \"2.5\"\nstructure = \"OUL^R22\""),
    ("run-oul-control-251", "structure = \"OUL^R22\"\nspecimen_namespace = \"KESTREL\""),
];

#[test]
fn control_material_that_was_run_is_named_in_what_goes_out() {
    let folder = Folder::new("material");
    let lots = material().replace("expect", "expires = \"2098-12-31\"\nexpect");
    let more: String = RECEIVERS
        .iter()
        .map(|(name, keys)| {
            format!(
                "[[receiver]]\nid = \"{name}\"\naddress = \"dir:{name}\"\ncontrols = true\n\
                 patients = false\n{keys}\n"
            )
        })
        .collect();
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &(more + &lots))
        .replace("id = \"run-control-bare-251\"", "id = \"bare\"")
        .replace("id = \"run-oul-control-251\"", "id = \"oul-251\"")
        .replace("id = \"run-oul-control-25\"", "id = \"oul-25\"");
    let config = folder.write("wickline.toml", &text);
    runtime().block_on(async {
        let daemon = Daemon::start(&config);
        let port = SimPort::connect(&daemon.lines[0]).await.expect("it listens");
        let mut bench = analyzer(port, Style::Lis02);
        let (number, specimen) = ("1".to_owned(), "QC-L1".to_owned());
        let run = vec![Run { number, specimen, class: Class::Control, ..Run::default() }];
        let script = Script { sender: "SIM".into(), run };
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        for (name, _) in RECEIVERS {
            until(|| only(&folder.0.join(name)).is_some());
            let sent = std::fs::read(only(&folder.0.join(name)).expect("one")).expect("read");
            kept(name, &always_the_same(&String::from_utf8(sent).expect("text")));
        }
        assert!(only(&folder.0.join("out")).is_none(), "patients' receivers get none of it");
        assert_eq!(daemon.stop(), 0);
    });
}

pub fn only(folder: &Path) -> Option<PathBuf> {
    let files = std::fs::read_dir(folder).ok()?.flatten().map(|f| f.path());
    let mut done = files.filter(|p| p.extension().is_some_and(|e| e == "hl7"));
    done.next().filter(|_| done.next().is_none())
}

/// One segment a line, with the times and the drawn ids of one day that never changes.
pub fn always_the_same(message: &str) -> String {
    let id = message.split('|').nth(9).expect("a control id").to_owned();
    let obr = message.split('\r').find(|s| s.starts_with("OBR")).expect("an OBR");
    let filler = obr.split('|').nth(3).expect("an OBR-3").to_owned();
    let text = message.replace(&id, "KP1-000417").replace(&filler, "KP1-417^WICKLINE");
    let fields: Vec<String> = text
        .split_inclusive(['|', '\r'])
        .map(|field| {
            let bare = field.trim_end_matches(['|', '\r']);
            let (digits, zone) = bare.split_at(bare.len().min(14));
            let time = digits.len() == 14
                && digits.bytes().all(|b| b.is_ascii_digit())
                && zone.len() == 5
                && zone.starts_with(['+', '-']);
            let end = &field[bare.len()..];
            if time { format!("20260314091502+0000{end}") } else { field.to_owned() }
        })
        .collect();
    fields.concat().replace('\r', "\n")
}

fn kept(name: &str, text: &str) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let file = root.join("fixtures/forward").join(format!("{name}.hl7"));
    if std::env::var("WICKLINE_BLESS").is_ok_and(|bless| bless == "1") {
        std::fs::write(&file, text).expect("the folder is there");
    }
    let known =
        std::fs::read_to_string(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    assert_eq!(text, known, "{} differs; WICKLINE_BLESS=1 writes it anew", file.display());
}
