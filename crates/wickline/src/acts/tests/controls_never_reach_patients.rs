//! The door between control material and patients: with every combination of the policies, whatever a
//! print says and whatever a person tries, no control reaches a receiver that takes patients alone.

use super::*;
use crate::store::lists::runs::AskedRuns;

/// A print with a sign of control material, or one that a person says is.
struct Print {
    message: &'static str,
    number: &'static str,
    specimen: &'static str,
    action: &'static str,
    priority: &'static str,
    patient: &'static str,
    glucose: &'static str,
}

const PLAIN: Print = Print {
    message: "P",
    number: "",
    specimen: "",
    action: "N",
    priority: "R",
    patient: "",
    glucose: "NEG",
};

/// Its number has no class by its leading digit.
const SIGN: Print = Print { number: "7", ..PLAIN };

/// Every sign by itself, and beside what speaks against it.
const PRINTS: &[Print] = &[
    Print { action: "Q", specimen: "QC-L1", ..SIGN },
    Print { action: "Q", specimen: "QC-L2", glucose: "2+", ..SIGN },
    Print { action: "Q", ..SIGN },
    Print { action: "Q", specimen: "KP-20001", ..SIGN },
    Print { action: "Q", specimen: "KP-20002", priority: "S", ..SIGN },
    Print { action: "Q", specimen: "QC-L1", patient: "P|1||PT-7||Mast^J", ..SIGN },
    Print { message: "Q", specimen: "KP-20003", ..SIGN },
    Print { message: "Q", specimen: "QC-L1", ..SIGN },
    Print { specimen: "QC-L1", ..SIGN },
    Print { specimen: "]C1QC-L2", ..SIGN },
    Print { number: "Q1", specimen: "KP-20004", ..SIGN },
    Print { number: "9", specimen: "KP-20005", ..SIGN },
    Print { action: "Q", specimen: "QC-L1", glucose: "???", ..SIGN },
    // Without any sign: a person says it.
    PLAIN,
];

/// External quality samples, alone and beside what speaks against them.
const EXTERNAL: &[Print] = &[
    Print { number: "0", specimen: "EQA-0107", ..PLAIN },
    Print { number: "0", specimen: "]C1EQA-0108", priority: "S", ..PLAIN },
    Print { action: "Q", specimen: "EQA-0109", glucose: "2+", ..SIGN },
    Print { number: "9", specimen: "EQA-0110", ..PLAIN },
    Print { number: "0", specimen: "EQA-0111", patient: "P|1||PT-7||Mast^J", ..PLAIN },
    Print { number: "0", specimen: "EQA-0112", glucose: "???", ..PLAIN },
    // Its id was not read: a person says what it is.
    PLAIN,
];

fn bench(policies: &str) -> Bench {
    let control = |level: &str, glucose: &str| {
        format!(
            "[[control]]\nlevel = \"{level}\"\nlot = \"KP-{level}\"\nfirst_day = \"2026-01-01\"\n\
             last_day = \"2026-12-31\"\nexpect = [\"GLU={glucose}\", \"BIL=NEG\", \"KET=NEG\", \"SG=1.012\", \
             \"BLD=NEG\", \"PH=6.0\", \"PRO=NEG\", \"URO=NORM\", \"NIT=NEG\", \"LEU=NEG\"]\n"
        )
    };
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\nscanner_leading = [\"]C1\"]\n\
         external_quality = [\"EQA-[0-9]{{4}}\"]\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         control_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\ncontrol_marks = [\"Q1=1\"]\n\
         number_classes = [\"9xxxxx=control:2\", \"0xxxxx=routine\"]\n{policies}\n{}{}\
         [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\npatient = \"as-heard\"\n\
         [[receiver]]\nid = \"both\"\naddress = \"dir:both\"\ncontrols = true\npatient = \"as-heard\"\n\
         [[receiver]]\nid = \"qc\"\naddress = \"dir:qc\"\ncontrols = true\npatients = false\n",
        control("1", "NEG"),
        control("2", "2+")
    );
    let loaded = from_text(std::path::Path::new("./w.toml"), text).expect("a good configuration");
    Bench::build(&loaded).expect("a good configuration")
}

/// Every combination of what the laboratory can decide.
fn every_policy() -> Vec<String> {
    let words = ["hold", "warn", "off"];
    let mut all = Vec::new();
    for failed in words {
        for due in words {
            for urgent in [true, false] {
                for clock in ["hold", "daemon-time"] {
                    all.push(format!(
                        "controls_failed = \"{failed}\"\ncontrols_due = \"{due}\"\n\
                         urgent_goes = {urgent}\nclock = \"{clock}\"\n"
                    ));
                }
            }
        }
    }
    all
}

impl Lab {
    fn print(&mut self, print: &Print, n: usize) -> HeardReport {
        let digits = 6 - print.number.len();
        let number = match print.number {
            "" => format!("0{n:05}"),
            mark => format!("{mark}{n:0digits$}"),
        };
        let Print { message, specimen, action, priority, patient, glucose, .. } = print;
        let patient = if patient.is_empty() { "P|1" } else { patient };
        let plain = |pad: &str| match pad {
            "SG" => "1.012",
            "PH" => "6.0",
            "URO" => "NORM",
            _ => "NEG",
        };
        let pads = ["BIL", "KET", "SG", "BLD", "PH", "PRO", "URO", "NIT", "LEU"];
        let readings: String = pads
            .iter()
            .map(|pad| format!("R|1|^^^{pad}|{}|||||F||||20260314091455\n", plain(pad)))
            .collect();
        let records = format!(
            "H|\\^&|||SIM|||||LIS||{message}|LIS2-A2|20260314091502\n{patient}\n\
             O|1|{specimen}|{number}|^^^UA|{priority}||||||{action}||||UR||||||||||F\n\
             R|1|^^^GLU|{glucose}|||||F||||20260314091455\n{readings}L|1|N"
        );
        self.records(&records)
    }
}

#[tokio::test]
async fn no_policy_opens_the_door() {
    let mut lab = Lab::sqlite().await;
    let actor = Actor::person(Some("J. Mast".into()));
    let (mut n, mut controls) = (0, Vec::new());
    for policies in every_policy() {
        lab.bench = bench(&policies);
        for print in PRINTS {
            n += 1;
            let heard = lab.print(print, n);
            let taken = lab.take(&[heard], 0).await;
            let id = taken.reports[0].id;
            controls.push(id);
            let (ledger, bench) = (&lab.ledger, &lab.bench);
            let state = taken.reports[0].state;
            assert_ne!(state, ReportState::Waiting, "{policies}: {n}");
            // Whatever a person tries: none of it may bring it to a patients' receiver.
            if print.number.is_empty() {
                let said =
                    ledger.report_is_control(bench, &actor, id, &material("1"), "it says so").await;
                said.expect("a person says so");
            }
            let _ = ledger.report_identify(bench, &actor, id, &twice("KP-30001")).await;
            let _ = ledger.report_release(bench, &actor, id, "try").await;
            let _ = ledger.report_reread(bench, &lab.tape, &actor, id).await;
            let _ = ledger.report_release(bench, &actor, id, "try").await;
        }
        lab.ledger.reports_undelivered(&lab.bench).await.expect("looked at");
        lab.ledger.release_passed(&lab.bench, &lab.bench.analyzers[0]).await.expect("looked at");
        let again = Which::Refused { receiver: None };
        lab.ledger.message_retry(&lab.bench, &actor, &again).await.expect("nothing to retry");
    }
    assert_eq!(n, 36 * PRINTS.len());
    let mut conn = lab.ledger.db.read().await.expect("a connection");
    let rows = conn
        .fetch_all(
            "SELECT m.report, m.receiver, b.body, r.state FROM message m \
             JOIN message_body b ON b.n = m.n JOIN report r ON r.n = m.report",
        )
        .await
        .expect("messages");
    let mut filed = 0;
    for row in &rows {
        use sqlx::Row;
        let (report, receiver): (i64, String) = (row.get(0), row.get(1));
        let body = String::from_utf8(row.get(2)).expect("UTF-8");
        assert!(controls.contains(&report) && receiver != "lis", "{report} at {receiver}: {body}");
        assert!(body.contains("|Q^Control specimen^HL70369") && body.contains("QC3"), "{body}");
        assert!(!body.contains("\rPID|") && !body.contains("Mast"), "{body}");
        assert_eq!(row.get::<String, _>(3), "filed");
        filed += usize::from(receiver == "qc");
    }
    // Those without contradiction go to those who ask, once each.
    assert_eq!(filed, 36 * 7, "each sign by itself, and what a person said");
    assert_eq!(rows.len(), 2 * filed);
}

/// No receiver is told of an external quality sample, not even one that asks for control material, and
/// it counts as a run of no level.
#[tokio::test]
async fn external_quality_samples_go_to_no_receiver() {
    let mut lab = Lab::sqlite().await;
    let actor = Actor::person(Some("J. Mast".into()));
    lab.bench = bench("controls_due = \"hold\"\ncontrols_failed = \"hold\"\n");
    let waits = lab.print(&Print { number: "0", specimen: "KP-20009", ..PLAIN }, 900);
    let waits = lab.take(&[waits], 0).await.reports.remove(0);
    assert_eq!(waits.reason, Some(Reason::ControlsDue));
    for (n, print) in (1..).zip(EXTERNAL) {
        let heard = lab.print(print, n);
        let report = lab.take(&[heard], 0).await.reports.remove(0);
        let (ledger, bench, id) = (&lab.ledger, &lab.bench, report.id);
        if print.specimen.is_empty() {
            assert!(
                ledger
                    .report_is_control(bench, &actor, id, &material("EXTERNAL"), "it says so")
                    .await
                    .is_err()
            );
            let said = ledger
                .report_is_control(bench, &actor, id, &material("external"), "it says so")
                .await;
            said.expect("a person says so");
        }
        let _ = ledger.report_identify(bench, &actor, id, &twice("KP-30001")).await;
        let _ = ledger.report_release(bench, &actor, id, "try").await;
        let _ = ledger.report_reread(bench, &lab.tape, &actor, id).await;
    }
    lab.ledger.reports_undelivered(&lab.bench).await.expect("looked at");
    let released = lab.ledger.release_passed(&lab.bench, &lab.bench.analyzers[0]).await;
    assert_eq!(released.expect("looked at"), 0, "they lift no lockout");
    let mut conn = lab.ledger.db.read().await.expect("a connection");
    let query = "SELECT class, level, state FROM report WHERE n > 1 ORDER BY n";
    let rows = conn.fetch_all(query).await.expect("reports");
    let states: Vec<String> = rows
        .iter()
        .map(|row| {
            use sqlx::Row;
            assert_eq!(row.get::<String, _>(0), "control");
            assert_eq!(row.get::<String, _>(1), "external");
            row.get(2)
        })
        .collect();
    assert_eq!(states, ["filed", "filed", "filed", "held", "held", "held", "filed"]);
    let told = conn.fetch_all("SELECT n FROM message").await.expect("messages");
    assert_eq!(told.len(), 0, "no receiver is told");
    // All of them are there for the scheme's form, with what was printed.
    let level = Some("external".to_owned());
    let asked = AskedRuns { level, to: i64::MAX, ..AskedRuns::default() };
    let runs = lab.ledger.control_runs(&asked, &lab.bench.clock).await.expect("runs");
    let said: Vec<_> =
        runs.iter().map(|r| (r.specimen.as_deref().unwrap_or(""), r.verdict)).collect();
    assert_eq!(said.len(), EXTERNAL.len(), "{said:?}");
    assert!(said.iter().all(|(_, verdict)| *verdict == "no-target"), "{said:?}");
    let third = runs.iter().find(|r| r.specimen.as_deref() == Some("EQA-0109")).expect("listed");
    let glucose = third.readings.iter().find(|r| r.analyte == "GLU").expect("its glucose");
    assert_eq!((glucose.found.as_str(), third.readings.len()), ("2+", 10));
}
