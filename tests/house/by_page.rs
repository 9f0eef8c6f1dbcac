//! What people do by pages that commands do too, and what stands first there: a telephone call, a tube after the other,
//! an id that was wrong, a queue that somebody stopped.

use std::path::PathBuf;

use wickline::simulate::analyzer::Style;
use wickline::simulate::script::Class;
use wickline_forward::receive::Receiver;

use crate::kit::{Daemon, Folder, ask, run, until};
use crate::pages::{Browser, Page, WORD, let_in};
use crate::way::{analyzer, practice, pty, runtime, script};

/// Two benches with pages; strips are run on either.
struct House {
    daemon: Daemon,
    config: PathBuf,
    address: String,
    ports: Vec<wickline::simulate::port::SimPort>,
    _receiver: Receiver,
}

impl House {
    async fn with(folder: &Folder, answers: &[&str]) -> Self {
        let (receiver, first, config) = practice(folder, answers).await;
        let (second, line) = pty();
        let text = std::fs::read_to_string(&config).expect("a configuration");
        let other = format!(
            "[[analyzer]]\nid = \"bench-2\"\nline = \"{line}\"\ndialect = \"lis02\"\nstrip = \"ten-pad\"\n\
             control_marks = [\"Q1=1\"]\n[[receiver]]"
        );
        let text = text.replacen("[[receiver]]", &other, 1);
        let config =
            folder.write("pages.toml", &format!("{text}\n[console]\nlisten = \"127.0.0.1:0\"\n"));
        let (daemon, ready) = Daemon::start_ready(&config);
        let address = ready["console"].as_str().expect("the console").to_owned();
        // The last is the first that is run.
        Self { daemon, config, address, ports: vec![second, first], _receiver: receiver }
    }

    /// Runs strips on the next bench: each by its specimen id and class.
    async fn strips(&mut self, strips: &[(&str, Class)]) {
        let mut plan = script(strips.len(), 7);
        for (run, (specimen, class)) in plan.run.iter_mut().zip(strips) {
            run.specimen = (*specimen).to_owned();
            run.class = *class;
        }
        let mut bench = analyzer(self.ports.pop().expect("a bench"), Style::Lis02);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        for _ in strips {
            self.daemon.wait_for(|e| e["event"] == "report");
        }
    }

    fn olsen(&self) -> Browser {
        let_in(&self.config, &self.address, "R. Olsen", "technologist")
    }

    fn total(&self, state: &str) -> i64 {
        ask(&self.config, &["queue"])["totals"][state].as_i64().expect("a count")
    }

    fn held(&self) -> Vec<(String, String)> {
        let held = ask(&self.config, &["held"]);
        let one = |item: &serde_json::Value| {
            let text = |name: &str| item[name].as_str().expect("a text").to_owned();
            (text("id"), text("analyzer"))
        };
        held["items"].as_array().expect("a list").iter().map(one).collect()
    }
}

/// Where each of these stands in a page, in their order.
fn places(page: &Page, texts: &[&str]) -> Vec<usize> {
    let at = |text: &&str| page.body.find(text).unwrap_or_else(|| panic!("{text}: {}", page.body));
    texts.iter().map(at).collect()
}

#[test]
fn an_urgent_result_that_no_receiver_has_is_on_the_telephone_list_until_somebody_was_told() {
    let folder = Folder::new("by-page-calls");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["ae"]).await;
        let strips = [("KP-20417", Class::Stat), ("KP-20418", Class::Routine), ("", Class::Stat)];
        house.strips(&strips).await;
        until(|| house.total("refused") == 2);
        let olsen = house.olsen();
        let list = olsen.get("/calls");
        assert!(list.body.contains("1 urgent result is at no receiver"), "{}", list.body);
        assert!(list.body.contains("KP-20417") && !list.body.contains("KP-20418"), "{}", list.body);
        assert!(list.body.contains("Nobody was told by telephone today"), "{}", list.body);
        // The tab under which it stands says so, also on another page.
        let tab = "<b class=\"is-refused\">STAT 1</b>";
        let queue = olsen.get("/queue");
        assert!(
            queue.body.contains(tab) && queue.body.contains("href=\"/calls\""),
            "{}",
            queue.body
        );
        assert!(list.body.contains("<a href=\"/queue\" aria-current=\"page\""), "{}", list.body);
        // Today has it before what is held.
        let today = olsen.get("/today");
        let order = ["data-go=\"1\" href=\"/calls\"", "href=\"/held/3\""];
        assert!(places(&today, &order).is_sorted(), "{}", today.body);
        // `status` says the same, urgent, until somebody was told; and so is told who watches.
        let due = || {
            let items = ask(&house.config, &["status"])["items"].clone();
            let all = items.as_array().expect("a list").clone();
            all.into_iter().find(|one| one["about"] == "calls")
        };
        let found = due().expect("it is told");
        assert_eq!((&found["wrong"], &found["due"]), (&true.into(), &1.into()), "{found}");
        assert!(today.body.contains("1 urgent result is at no receiver"), "{}", today.body);
        // As the command tells it.
        let told = ask(&house.config, &["queue", "calls"]);
        assert_eq!(
            (&told["items"][0]["id"], told["items"].as_array().map(Vec::len)),
            (&"1".into(), Some(1))
        );
        assert_eq!(run(&house.config, &["queue", "calls"]).status.code(), Some(1));
        let when = list.field("when");
        let fields = [("report", "1"), ("who", "ward 3"), ("when", &when), ("read_back", "yes")];
        assert_eq!(olsen.send(&list, "/calls", &fields).code, 303);
        let list = olsen.get("/calls");
        assert!(list.body.contains("No urgent result has to be told"), "{}", list.body);
        assert!(list.body.contains(&format!("to ward 3, {when}; read back")), "{}", list.body);
        assert!(!olsen.get("/queue").body.contains(tab));
        assert_eq!(due(), None);
        let done = run(&house.config, &["queue", "calls"]);
        let said = String::from_utf8_lossy(&done.stdout);
        assert!(done.status.code() == Some(0) && said.contains("by R. Olsen to ward 3"), "{said}");
        // Somebody who may only look sees the list and no form.
        let reader = let_in(&house.config, &house.address, "A. Reader", "viewer");
        let list = reader.get("/calls");
        assert!(list.code == 200 && !list.body.contains("name=\"read_back\""), "{}", list.body);
        let sent = reader.send(&list, "/calls", &fields);
        assert_eq!(sent.code, 403, "{}", sent.body);
        assert_eq!(house.daemon.stop(), 0);
    });
}

#[test]
fn after_a_tube_was_named_the_next_strip_is_one_of_the_same_analyzer() {
    let folder = Folder::new("by-page-next");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["aa"]).await;
        house.strips(&[("", Class::Routine)]).await;
        house
            .strips(&[("", Class::Routine), ("KP-20417", Class::Routine), ("", Class::Routine)])
            .await;
        let held = house.held();
        let of = |analyzer: &str| -> Vec<&str> {
            held.iter().filter(|(_, a)| a == analyzer).map(|(id, _)| id.as_str()).collect()
        };
        let ([first], [second, third]) = (&of("bench-1")[..], &of("bench-2")[..]) else {
            panic!("{held:?}")
        };
        assert!(first < second, "the other analyzer's is the older one: {held:?}");
        let olsen = house.olsen();
        let named = |id: &str, specimen: &str| {
            let page = olsen.get(&format!("/held/{id}"));
            let twice = [("specimen", specimen), ("again", specimen)];
            olsen.send(&page, &format!("/held/{id}/identify"), &twice).head
        };
        let head = named(second, "KP-30001");
        assert!(head.contains(&format!("location: /held/{third}\r\n")), "{head}");
        let head = named(third, "KP-30002");
        assert!(head.contains("location: /held\r\n"), "none of bench-1 is offered: {head}");
        assert_eq!(house.daemon.stop(), 0);
    });
}

#[test]
fn an_id_that_was_wrong_is_taken_back_while_the_queue_stands_and_the_page_says_that_it_stands() {
    let folder = Folder::new("by-page-back");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["aa"]).await;
        let olsen = house.olsen();
        let pause = olsen.send(&olsen.get("/queue"), "/queue/pause", &[("receiver", "lis")]);
        assert_eq!(pause.code, 303, "{}", pause.body);
        house.strips(&[("", Class::Routine)]).await;
        let (id, _) = house.held().remove(0);
        let page = olsen.get(&format!("/held/{id}"));
        let twice = [("specimen", "KP-30001"), ("again", "KP-30001")];
        assert_eq!(olsen.send(&page, &format!("/held/{id}/identify"), &twice).code, 303);
        assert_eq!((house.held().len(), house.total("waiting")), (0, 1));
        let queue = olsen.get("/queue");
        assert!(queue.body.contains("Nothing goes to lis: it was paused"), "{}", queue.body);
        assert!(!queue.body.contains("goes by itself"), "{}", queue.body);
        let report = olsen.get(&format!("/report/{id}"));
        let back =
            olsen.send(&report, &format!("/report/{id}/undo"), &[("reason", "the wrong tube")]);
        assert_eq!(back.code, 303, "{}", back.body);
        assert_eq!((house.held().len(), house.total("waiting")), (1, 0));
        let again = olsen.get(&format!("/held/{id}"));
        assert!(again.code == 200 && !again.body.contains("KP-30001\""), "{}", again.body);
        // What waits goes by itself once the receiver may have it.
        let resume = olsen.send(&olsen.get("/queue"), "/queue/resume", &[("receiver", "lis")]);
        assert_eq!(resume.code, 303, "{}", resume.body);
        assert!(!olsen.get("/queue").body.contains("Nothing goes to lis"));
        assert_eq!(house.daemon.stop(), 0);
    });
}

#[test]
fn today_has_what_is_urgent_first() {
    let folder = Folder::new("by-page-today");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["aa"]).await;
        house.strips(&[("", Class::Routine)]).await;
        house.strips(&[("", Class::Stat)]).await;
        let today = house.olsen().get("/today");
        let held = house.held();
        let of = |analyzer: &str| {
            let id = held.iter().find(|(_, a)| a == analyzer).map(|(id, _)| id.as_str());
            format!("href=\"/held/{}\"", id.expect("one of it"))
        };
        let order = [of("bench-2"), of("bench-1")];
        let order = order.each_ref().map(String::as_str);
        assert!(places(&today, &order).is_sorted(), "{}", today.body);
        assert_eq!(house.daemon.stop(), 0);
    });
}

#[test]
fn a_page_below_another_is_under_its_tab() {
    let folder = Folder::new("by-page-tabs");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["aa"]).await;
        house.strips(&[("KP-20417", Class::Routine)]).await;
        let olsen = house.olsen();
        let month = ask(&house.config, &["day"])["date"].as_str().expect("a date")[..7].to_owned();
        for path in [format!("/positivity/{month}"), format!("/review/{month}"), "/controls".into()]
        {
            let page = olsen.get(&path);
            assert_eq!(page.code, 200, "{path}");
            let open = "<a href=\"/controls\" aria-current=\"page\"";
            assert!(page.body.contains(open), "{path}: {}", page.body);
            assert_eq!(page.body.matches("aria-current=\"page\"").count(), 1, "{path}");
        }
        assert_eq!(house.daemon.stop(), 0);
    });
}

/// The queue asks for no call that the telephone list does not, and the same after somebody was told.
#[test]
fn the_queue_and_the_telephone_list_ask_for_the_same_calls() {
    let folder = Folder::new("by-page-due");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["none"]).await;
        house.strips(&[("KP-20417", Class::Stat)]).await;
        let olsen = house.olsen();
        let listed = || olsen.get("/calls").body.contains("1 urgent result is at no receiver");
        let asked = || olsen.get("/queue").body.contains("stat: telephone it");
        // While it is under way nobody is asked. Between two looks at the list that are alike it was so all the time.
        let mut seen = [false, false];
        until(|| {
            let (before, queue, after) = (listed(), asked(), listed());
            if before == after {
                assert_eq!(queue, before, "one says what the other does not");
                seen[usize::from(before)] = true;
            }
            before
        });
        assert_eq!(seen, [true, true]);
        let list = olsen.get("/calls");
        let when = list.field("when");
        let fields = [("report", "1"), ("who", "ward 3"), ("when", &when)];
        assert_eq!(olsen.send(&list, "/calls", &fields).code, 303);
        assert!(!listed() && !asked());
        assert!(olsen.get("/queue").body.contains(&format!("to ward 3, {when}")));
        assert_eq!(house.daemon.stop(), 0);
    });
}

/// What Today has no room for is there to be opened, and a group says how many of it are urgent.
#[test]
fn what_needs_a_person_beyond_the_first_rows_is_opened_on_the_spot() {
    let folder = Folder::new("by-page-more");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["aa"]).await;
        house.strips(&[("", Class::Stat), ("", Class::Routine), ("", Class::Routine)]).await;
        let olsen = house.olsen();
        let today = olsen.get("/today");
        assert!(today.body.contains("<strong class=\"stat\">1 STAT</strong>"), "{}", today.body);
        assert!(!today.body.contains(" more</summary>"), "{}", today.body);
        // Each line that is not there is one thing more.
        let text = std::fs::read_to_string(&house.config).expect("a configuration");
        let away = |n: usize| {
            format!(
                "[[analyzer]]\nid = \"away-{n}\"\nline = \"serial:/dev/away-{n}\"\ndialect = \"lis02\"\n\
                 strip = \"ten-pad\"\ncontrol_marks = [\"Q1=1\"]\n"
            )
        };
        let more: String = (1..=9).map(away).collect();
        let text = text.replacen("[[receiver]]", &format!("{more}[[receiver]]"), 1);
        std::fs::write(&house.config, text).expect("written");
        house.daemon.hang_up();
        house.daemon.wait_for(|e| e["event"] == "ready");
        until(|| olsen.get("/today").body.contains(">and 3 more</summary>"));
        let today = olsen.get("/today");
        let (first, beyond) = today.body.split_once(">and 3 more</summary>").expect("more");
        let (beyond, _) = beyond.split_once("</details>").expect("an end");
        assert_eq!((beyond.matches("<li").count(), beyond.matches("<bdi>away-").count()), (3, 3));
        assert_eq!(first.matches("<li class=\"row is-").count(), 7, "{first}");
        assert!(!beyond.contains("data-go"), "{beyond}");
        assert_eq!(house.daemon.stop(), 0);
    });
}

/// On a page a closing that lacks a number names the field, at a terminal the option.
#[test]
fn a_refused_closing_names_what_is_there_to_be_filled_in() {
    let folder = Folder::new("by-page-close");
    runtime().block_on(async {
        let mut house = House::with(&folder, &["aa"]).await;
        house.strips(&[("KP-20417", Class::Routine)]).await;
        let olsen = house.olsen();
        let day = olsen.get("/day").header("location").expect("to a day").to_owned();
        let close = format!("{day}/close");
        let refused = olsen.send(&olsen.get(&day), &close, &[("password", WORD)]);
        assert!(refused.body.contains("(type it, if it shows the same)"), "{}", refused.body);
        assert!(refused.body.contains("(type none, if it shows none)"), "{}", refused.body);
        assert!(!refused.body.contains("--last"), "{}", refused.body);
        let by_command = run(&house.config, &["day", "close", &day["/day/".len()..]]);
        let said = String::from_utf8_lossy(&by_command.stderr).into_owned();
        assert!(said.contains("--last bench-2=none, if it shows none"), "{said}");
        assert_eq!(house.daemon.stop(), 0);
    });
}
