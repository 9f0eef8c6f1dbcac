//! A blank id is identified by a person who enters it twice: with `--again`, or at a terminal that asks.

use wickline::simulate::analyzer::Style;

use crate::hints::{answering, at_a_terminal};
use crate::kit::{Daemon, Folder, ask, run};
use crate::way::{analyzer, pads, practice, runtime};
use wickline::simulate::script::Script;

#[test]
fn an_id_that_is_entered_twice_must_be_the_same() {
    let folder = Folder::new("identify");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let mut daemon = Daemon::start(&config);
        let mut script = Script::plain(3, 5, &pads());
        for run in &mut script.run {
            run.specimen.clear();
        }
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        for number in ["1", "2", "3"] {
            daemon.wait_for(|e| e["event"] == "report" && e["number"] == number);
        }
        let held = ask(&config, &["held"]);
        let ids: Vec<&str> = held["items"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(|i| i["id"].as_str())
            .collect();
        let again = |id: &str, second: &str| {
            run(&config, &["held", "identify", id, "--specimen", "KP-00001", "--again", second])
        };
        let differs = again(ids[0], "KP-00010");
        assert_eq!(differs.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&differs.stderr).contains("differ"));
        assert_eq!(ask(&config, &["held"])["items"].as_array().map(Vec::len), Some(3));
        assert_eq!(again(ids[0], "KP-00001").status.code(), Some(0));
        // At a terminal it shows the strip and asks.
        let line = format!("wickline held identify {} --specimen KP-00002", ids[1]);
        for (typed, code) in [("KP-00020", 2), ("KP-00002", 0)] {
            let (ended, said) = answering(&config, &line, &[typed]).await;
            assert_eq!(ended, code, "{said}");
            assert!(said.contains("number 2") && said.contains("GLU"), "{said}");
        }
        // What is not held for its id is refused before anybody is asked for anything.
        let line = format!("wickline held identify {}", ids[1]);
        let (ended, said) = at_a_terminal(&config, &line, "").await;
        assert_eq!(ended, 2, "{said}");
        assert!(!said.contains("GLU") && !said.contains("specimen id again"), "{said}");
        for _ in 0..2 {
            receiver.next().await.expect("identified, it goes");
        }
        assert_eq!(daemon.stop(), 0);
    });
}
