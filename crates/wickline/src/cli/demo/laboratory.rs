//! The invented laboratory of the demonstration: its configuration, what its analyzers run, and what its information
//! system orders.

use std::net::SocketAddr;
use std::path::Path;

use wickline_normalize::strip::Strip;

use super::super::{Failure, faults};
use crate::settings;
use crate::settings::bench::Bench;
use crate::simulate::orders::Orders;
use crate::simulate::port::SimPort;
use crate::simulate::script::{Class, Dice, Fault, Run, Script, dice_rungs};

/// The order whose strip nobody runs.
pub const NEVER_RUN: &str = "K884499";

/// Two specimens of bench-1, one in haste, and one that is not run.
const ORDERS: &str = r#"
[[order]]
number = "K884407"
specimen = "KP-20407"
patient = "KP700107"
name = "Heron-Invented^Ada"
born = "19700101"
sex = "F"

[[order]]
number = "K884408"
specimen = "KP-20408"
patient = "KP700108"
name = "Plover-Invented^Ben"
born = "19881105"
sex = "M"
urgent = true

[[order]]
number = "K884499"
specimen = "KP-20499"
patient = "KP700109"
name = "Tern-Invented^Cleo"
born = "19550630"
sex = "F"
"#;

/// What is ordered.
pub fn orders() -> Result<Orders, Failure> {
    Orders::parse(ORDERS).map_err(Failure::wrong)
}

pub fn bench(
    folder: &Path,
    ports: &(SimPort, SimPort),
    receiver: &str,
    serve: Option<SocketAddr>,
) -> Result<Bench, Failure> {
    let path = |port: &SimPort| match port {
        SimPort::Pty { path, .. } => path.clone(),
        _ => String::new(),
    };
    let text = format!(
        "[site]\nname = \"Kestrel Point Clinic\"\nshort = \"KESTRELPOINT\"\ntimezone = \"Europe/Lisbon\"\n\n\
         [store]\ntape = \"tape.db\"\nledger = \"sqlite:ledger.db\"\nlow_water_mib = 8\nballast_mib = 0\n\n\
         [reference]\nGLU = \"NEG\"\nPRO = \"TR\"\nPH = \"5.0-8.0\"\nSG = \"1.003-1.030\"\n\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"serial:{}\"\ndialect = \"lis02\"\nstrip = \"ten-pad\"\n\
         control_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n\n\
         [[analyzer]]\nid = \"bench-2\"\nline = \"serial:{}\"\ndialect = \"two-column\"\nstrip = \"eleven-pad\"\n\
         control_marks = [\"Q1=1\", \"Q2=2\"]\ncontrol_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n\n\
         [[receiver]]\nid = \"lis\"\naddress = \"mllp://{receiver}\"\nfacility = \"KESTREL\"\nunits = \"si\"\n\
         ack_timeout = 5\nretry_first = 1\nretry_max = 2\npatient = \"ordered\"\n\n\
         [[source]]\nid = \"lis\"\nlisten = \"127.0.0.1:0\"\ntests = [\"UADIP=ten-pad\"]\n\n\
         [orders]\nwithout_order = \"send\"\n",
        path(&ports.0),
        path(&ports.1),
    );
    let served = serve.map(|address| format!("\n[console]\nlisten = \"{address}\"\n"));
    let text = text + &served.unwrap_or_default();
    let file = folder.join("wickline.toml");
    std::fs::write(&file, &text)?;
    let loaded = settings::from_text(&file, text).map_err(faults)?;
    Bench::build(&loaded).map_err(faults)
}

/// Both days' work: patients, controls, and one of each thing that goes wrong.
pub fn scripts(reports: usize) -> (Script, Script) {
    let mut dice = Dice::new(2026);
    let ten = pads("ten-pad");
    let eleven = pads("eleven-pad");
    let mut patient = |number: String, pads: &[(String, usize)], specimen: usize| Run {
        number,
        specimen: format!("KP-{specimen:05}"),
        rungs: dice_rungs(&mut dice, pads),
        ..Run::default()
    };
    let control = |number: &str, level: &str, raised: usize, pads: &[(String, usize)]| Run {
        number: number.into(),
        specimen: format!("QC-L{level}"),
        class: Class::Control,
        rungs: pads.iter().map(|(id, rungs)| (id.clone(), raised.min(rungs - 1))).collect(),
        ..Run::default()
    };
    let half = reports / 2;
    let mut first = vec![control("1", "1", 0, &ten), control("2", "2", 2, &ten)];
    for n in 3..=half {
        let mut run = patient(n.to_string(), &ten, 20_400 + n);
        match n {
            5 => run.fault = Fault::BadChecksum,
            6 => run.specimen.clear(),
            8 => run.class = Class::Stat,
            9 => run.fault = Fault::SentTwice,
            _ => {}
        }
        first.push(run);
    }
    let mut second = vec![control("Q1001", "1", 0, &eleven), control("Q2001", "2", 2, &eleven)];
    // Number 5 is run and never sent: the gap.
    for n in (1..=reports - half - 1).filter(|n| *n != 5) {
        let mut run = patient(format!("{n:03}"), &eleven, 31_700 + n);
        if n == 7 {
            run.fault = Fault::WrongUnit;
            run.rungs.insert("GLU".into(), 2);
        }
        second.push(run);
    }
    (Script { sender: "SIM-1".into(), run: first }, Script { sender: "SIM-2".into(), run: second })
}

fn pads(strip: &str) -> Vec<(String, usize)> {
    Strip::builtin(strip).map_or(Vec::new(), |strip| {
        strip.pads.iter().filter(|p| !p.optional).map(|p| (p.id.clone(), p.rungs.len())).collect()
    })
}
