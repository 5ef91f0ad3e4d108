//! The job on the desk: choosing, settings, counting, running and publishing give what the command line gives.
use super::super::program::{files, program};
use super::client::{Desk, bench};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::Path;

/// Ids of the bench's pictures by file name.
fn ids(desk: &Desk) -> BTreeMap<String, String> {
    let listed = desk.value("/api/folder");
    let pictures = listed["pictures"].as_array().unwrap();
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    let ids: BTreeMap<_, _> = pictures
        .iter()
        .map(|p| (text(&p["name"]), text(&p["picture"])))
        .collect();
    assert_eq!(ids.len(), 4);
    ids
}

/// Every file of two runs is the same byte by byte, but for the moment of the run in the report and on the page.
fn same_files(a: &Path, b: &Path) {
    let names = |folder: &Path| -> Vec<_> {
        let all = files(folder).into_iter();
        all.map(|f| f.strip_prefix(folder).unwrap().to_owned())
            .collect()
    };
    assert_eq!(names(a), names(b));
    assert!(names(a).len() > 15);
    let moment = |folder: &Path| {
        let report: Value =
            serde_json::from_slice(&std::fs::read(folder.join("report.json")).unwrap()).unwrap();
        report["made"].as_str().unwrap().to_owned()
    };
    let (made, other) = (moment(a), moment(b));
    for name in names(a) {
        let read = |folder: &Path| std::fs::read(folder.join(&name)).unwrap();
        let (one, mut two) = (read(a), read(b));
        if name.extension().is_some_and(|e| e == "json" || e == "html") && one != two {
            let text = String::from_utf8(two).unwrap();
            let day = |m: &str| m.replace('T', " ").trim_end_matches('Z').to_owned();
            two = text
                .replace(&other, &made)
                .replace(&day(&other), &day(&made))
                .into_bytes();
        }
        assert!(one == two, "{} differs", name.display());
    }
}

#[test]
fn a_run_of_the_desk_is_a_run() {
    let desk = Desk::on(&bench());
    let state = desk.opened();
    assert_eq!(
        state["survey"]["brackets"][0]["frames"]
            .as_array()
            .unwrap()
            .len(),
        3
    );
    assert_eq!(desk.ran("a")["state"], "done");
    let out = tempfile::tempdir().unwrap();
    let run = out.path().join("run");
    program(&[
        "run",
        bench().to_str().unwrap(),
        "--out",
        run.to_str().unwrap(),
    ])
    .expect(0);
    same_files(&desk.results().join("a"), &run);
    hdr_lies_where_the_page_has_it(&desk, &run);
}

/// The camera's HDR picture is placed on the desk as in the viewer of the report's page.
fn hdr_lies_where_the_page_has_it(desk: &Desk, run: &Path) {
    let page = std::fs::read_to_string(run.join("report.html")).unwrap();
    let figure = page.split("<figure data-name=\"bench_hdr.jpg\"").nth(1);
    let place = figure.unwrap().split("data-place=\"").nth(1).unwrap();
    let place = place.split('"').next().unwrap().split(' ');
    let place: Vec<f64> = place.map(|v| v.parse().unwrap()).collect();
    let id = desk.value("/api/state")["runs"][0]["id"].clone();
    let result = desk.value(&format!("/api/result/{}", id.as_str().unwrap()));
    let pictures = result["brackets"][0]["pictures"].as_array().unwrap();
    let hdr = pictures.iter().find(|p| p["kind"] == "camera-hdr").unwrap();
    let on_desk = hdr["to_picture"].as_array().unwrap().iter();
    let on_desk: Vec<f64> = on_desk
        .flat_map(|row| row.as_array().unwrap())
        .map(|v| v.as_f64().unwrap())
        .collect();
    assert_eq!(on_desk, place);
}

/// Settings and edits of many kinds.
fn say(desk: &Desk, ids: &BTreeMap<String, String>) {
    let square = [
        [129.5, 973.5],
        [1472.5, 990.0],
        [1471.5, 1102.5],
        [126.0, 1086.0],
    ];
    let settings = json!({
        "wedge": { "how": "corners", "corners": square, "rows": 1, "columns": 21, "densities": "0.05:0.15" },
        "crops": [{ "name": "a", "picture": ids["bench_nominal.jpg"], "place": { "rectangle": [10, 20, 300, 400] } }],
        "edge": [40, 50, 90, 120],
        "motion": false, "jpeg_quality": 80,
        "sheets": { "width": 1280, "height": 720, "looks": ["dark"], "pictures": ["merge"] },
    });
    assert_eq!(desk.change("PUT", "/api/settings", &settings).status, 200);
    for edit in [
        json!({ "edit": "exclude", "pictures": [ids["bench_hdr.jpg"]] }),
        json!({ "edit": "exposure", "picture": ids["bench_half.jpg"], "value": "1/90,f4,iso100" }),
        json!({ "edit": "reference", "picture": ids["bench_double.jpg"] }),
        json!({ "edit": "reference", "picture": ids["bench_nominal.jpg"] }),
        json!({ "edit": "undo" }),
    ] {
        desk.post("/api/edit", &edit);
    }
}

#[test]
fn what_is_said_on_the_desk_is_what_the_options_say() {
    let desk = Desk::on(&bench());
    desk.opened();
    say(&desk, &ids(&desk));
    assert_eq!(desk.ran("a")["state"], "done");
    let out = tempfile::tempdir().unwrap();
    let run = out.path().join("run");
    let path = |name: &str| bench().join(name).display().to_string();
    let [double, half, nominal] =
        ["double", "half", "nominal"].map(|n| path(&format!("bench_{n}.jpg")));
    let corners = "129.5,973.5,1472.5,990,1471.5,1102.5,126,1086";
    program(&[
        "run",
        &double,
        &half,
        &nominal,
        "--out",
        run.to_str().unwrap(),
        "--exposure",
        &format!("{half}=1/90,f4,iso100"),
        "--reference",
        &double,
        "--wedge-corners",
        corners,
        "--wedge-grid",
        "1x21",
        "--wedge-densities",
        "0.05:0.15",
        "--crop",
        "a=bench_nominal.jpg@10,20,300,400",
        "--edge",
        "40,50,90,120",
        "--no-motion",
        "--jpeg-quality",
        "80",
        "--sheet-size",
        "1280x720",
        "--sheet-look",
        "dark",
        "--sheet-pictures",
        "merge",
    ])
    .expect(0);
    same_files(&desk.results().join("a"), &run);
}

#[test]
fn brackets_are_joined_and_split() {
    let desk = Desk::on(&bench());
    desk.opened();
    let ids = ids(&desk);
    let sizes = || {
        let survey = desk.value("/api/state")["survey"].clone();
        let brackets = survey["brackets"].as_array().unwrap().clone();
        let sizes: Vec<usize> = brackets
            .iter()
            .map(|b| b["frames"].as_array().unwrap().len())
            .collect();
        (sizes, survey["singles"].as_array().unwrap().len())
    };
    assert_eq!(sizes(), (vec![3], 0));
    desk.post(
        "/api/edit",
        &json!({ "edit": "split", "pictures": [ids["bench_double.jpg"]] }),
    );
    assert_eq!(sizes(), (vec![2], 1));
    desk.post(
        "/api/edit",
        &json!({ "edit": "camera-hdr", "picture": ids["bench_hdr.jpg"], "is": false }),
    );
    let hdr = desk.value("/api/state")["survey"]["brackets"][0]["camera_hdr"].clone();
    assert!(hdr.is_null());
    desk.post("/api/edit", &json!({ "edit": "undo" }));
    desk.post(
        "/api/edit",
        &json!({ "edit": "join", "pictures": [ids["bench_double.jpg"], ids["bench_half.jpg"]] }),
    );
    assert_eq!(sizes(), (vec![2], 1));
    desk.post("/api/edit", &json!({ "edit": "undo" }));
    desk.post("/api/edit", &json!({ "edit": "undo" }));
    assert_eq!(sizes(), (vec![3], 0));
    let wrong = desk.change("POST", "/api/edit", &json!({ "edit": "undo" }));
    assert_eq!(wrong.status, 400);
    // Stops are given for all frames of a bracket or for none.
    let edit = json!({ "edit": "exposure", "picture": ids["bench_half.jpg"], "value": "+1ev" });
    let wrong = desk.change("POST", "/api/edit", &edit);
    assert_eq!(wrong.status, 400);
    assert!(
        wrong.json()["error"]["problem"]
            .as_str()
            .unwrap()
            .contains("give all or none")
    );
    assert!(!desk.value("/api/state")["can_undo"].as_bool().unwrap());
}

/// Counted by `measure` on the same files.
#[test]
fn a_wedge_is_counted_as_elsewhere() {
    let desk = Desk::on(&bench());
    desk.opened();
    let ids = ids(&desk);
    let out = tempfile::tempdir().unwrap();
    for (n, name) in ["bench_half.jpg", "bench_nominal.jpg", "bench_hdr.jpg"]
        .into_iter()
        .enumerate()
    {
        let json = out.path().join(format!("{n}.json"));
        let file = bench().join(name);
        program(&[
            "measure",
            file.to_str().unwrap(),
            "--out",
            json.to_str().unwrap(),
        ])
        .expect(0);
        let report: Value = serde_json::from_slice(&std::fs::read(json).unwrap()).unwrap();
        let wanted = &report["without_bracket"][0]["pictures"][0];
        let counted = desk.post(
            "/api/count",
            &json!({ "on": ids[name], "wedge": { "how": "find" } }),
        );
        assert_eq!(counted["levels"], wanted["measured"]["levels"], "{name}");
        assert_eq!(counted["wedge"]["columns"], wanted["wedge"]["columns"]);
        let resolved = counted["steps"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|s| s["resolved"] == true);
        assert_eq!(
            1 + resolved.count() as u64,
            counted["levels"]["noise"].as_u64().unwrap()
        );
    }
    let kept = desk.post(
        "/api/wedges",
        &json!({ "on": ids["bench_nominal.jpg"], "wedge": { "how": "find" } }),
    );
    let list = desk.value("/api/wedges");
    assert_eq!(list["wedges"][0]["wedge"], kept["wedge"]);
    let again = json!({ "how": "kept", "wedge": kept["wedge"] });
    let counted = desk.post(
        "/api/count",
        &json!({ "on": ids["bench_half.jpg"], "wedge": again }),
    );
    assert_eq!(counted["wedge"]["corners"], list["wedges"][0]["corners"]);
}

#[test]
fn a_run_is_told_of_and_given_up() {
    let desk = Desk::on(&bench());
    desk.opened();
    let mut page = desk.connect();
    let own = desk.own();
    let listen = format!(
        "GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n{}\r\n\r\n",
        desk.port, own[0]
    );
    page.write_all(listen.as_bytes()).unwrap();
    desk.post("/api/run", &json!({ "name": "a" }));
    let second = desk.change("POST", "/api/run", &json!({}));
    assert_eq!(second.status, 409);
    desk.post("/api/run/cancel", &json!({}));
    let run = desk.over();
    assert_eq!(run["state"], "cancelled");
    assert_eq!(
        desk.change("POST", "/api/run/cancel", &json!({})).status,
        409
    );
    for file in files(&desk.results()) {
        assert!(
            !file.to_string_lossy().ends_with(".part"),
            "{}",
            file.display()
        );
    }
    assert_eq!(desk.ran("b")["state"], "done");
    desk.post("/api/quit", &json!({}));
    let mut told = String::new();
    let _ = page.read_to_string(&mut told);
    for wanted in [
        "event: state",
        "event: run",
        "\"cancelled\"",
        "\"stage\":\"merging\"",
        "\"state\":\"done\"",
    ] {
        assert!(told.contains(wanted), "{wanted}");
    }
}

#[test]
fn sheets_are_drawn_as_a_run_draws_them_and_published() {
    let desk = Desk::on(&bench());
    desk.opened();
    assert_eq!(desk.ran("a")["state"], "done");
    let result = desk.value("/api/result/r1");
    let name = result["brackets"][0]["name"].as_str().unwrap();
    let usual = desk.value("/api/state")["settings"]["sheets"].clone();
    let drawn = desk.post(
        "/api/sheets",
        &json!({ "run": "r1", "bracket": name, "sheets": usual, "crops": [] }),
    );
    let folder = desk.results().join("a").join(name).join("sheets");
    let sheets = drawn["sheets"].as_array().unwrap();
    assert_eq!(
        2 * sheets.len(),
        std::fs::read_dir(&folder).unwrap().count()
    );
    for sheet in sheets {
        for ending in ["svg", "png"] {
            let file = folder.join(format!("{}.{ending}", sheet["name"].as_str().unwrap()));
            let served = desk.get(&format!(
                "/api/sheet/{}.{ending}",
                sheet["sheet"].as_str().unwrap()
            ));
            assert!(
                served.body == std::fs::read(&file).unwrap(),
                "{}",
                file.display()
            );
        }
    }
    let small = json!({ "width": 640, "height": 360, "looks": ["light"], "pictures": ["merge"] });
    let crops = json!([{ "name": null, "picture": null, "place": { "point": [300, 300] } }]);
    let drawn = desk.post(
        "/api/sheets",
        &json!({ "run": "r1", "bracket": name, "sheets": small, "crops": crops }),
    );
    let chosen = drawn["sheets"][0]["sheet"].clone();
    let wanted = json!({ "run": "r1", "sheets": [chosen], "kinds": ["png", "svg"], "web": true });
    let written = desk.post("/api/publish", &wanted);
    let folder = desk.results().join("a/published");
    assert_eq!(written["folder"], folder.display().to_string());
    for file in written["files"].as_array().unwrap() {
        assert!(folder.join(file.as_str().unwrap()).is_file(), "{file}");
    }
    let page = std::fs::read_to_string(folder.join("web/index.html")).unwrap();
    let links: Vec<&str> = page
        .split("href=\"")
        .skip(1)
        .map(|l| l.split('"').next().unwrap())
        .collect();
    let links = links.iter().filter(|l| !l.starts_with(['#', 'd']));
    let mut found = 0;
    for link in links {
        assert!(folder.join("web").join(link).is_file(), "{link}");
        found += 1;
    }
    assert!(found > 10, "{found} links");
}
