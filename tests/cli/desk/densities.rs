//! Known densities on the desk: from a file, as the command line takes it.
use super::client::{Desk, bench};
use serde_json::{Value, json};

/// A file gives the densities, with their uncertainties, to the count and to the run; a file of another kind is refused.
#[test]
fn densities_come_from_a_file() {
    let desk = Desk::on(&bench());
    let survey = desk.opened()["survey"].clone();
    let frames = survey["brackets"][0]["frames"].as_array().unwrap();
    let nominal = frames.iter().find(|f| f["file"] == "bench_nominal.jpg");
    let nominal = nominal.unwrap()["picture"].clone();
    // The wedge of the sample: 21 steps, 0.15 D apart.
    let density = |step: i32| 0.05 + 0.15 * f64::from(step - 1);
    let rows = (1..=21).map(|step| format!("{step},{:.2},0.01\n", density(step)));
    let rows: String = rows.collect();
    let text = format!("step,density,standard_uncertainty\n{rows}");
    let upload = desk.post("/api/upload", &json!({}))["upload"].clone();
    let sent = |name: &str, text: &str| {
        let reply = desk.upload(upload.as_str().unwrap(), name, text.as_bytes());
        reply.json()["picture"].clone()
    };
    let wedge = |file: &Value| json!({ "how": "find", "densities_file": file });
    let known = sent("wedge.csv", &text);
    let count = |file: &Value| json!({ "on": nominal, "wedge": wedge(file) });
    let counted = desk.post("/api/count", &count(&known));
    let steps = counted["steps"].as_array().unwrap();
    assert_eq!(steps.len(), 21);
    assert_eq!(steps[20]["density"].as_f64(), Some(3.05));
    for (name, text) in [("wedge.txt", text.as_str()), ("wrong.csv", "a,b\n1,2\n")] {
        let reply = desk.change("POST", "/api/count", &count(&sent(name, text)));
        assert_eq!(reply.status, 400, "{name}");
    }
    let settings = json!({ "wedge": wedge(&known) });
    assert_eq!(desk.change("PUT", "/api/settings", &settings).status, 200);
    assert_eq!(desk.ran("a")["state"], "done");
    let report = std::fs::read(desk.results().join("a/report.json")).unwrap();
    let report: Value = serde_json::from_slice(&report).unwrap();
    let place = &report["brackets"][0]["wedge"];
    assert_eq!(place["densities"][20].as_f64(), Some(3.05));
    assert_eq!(place["density_uncertainty"][0].as_f64(), Some(0.01));
}
