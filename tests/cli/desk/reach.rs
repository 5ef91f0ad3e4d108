//! What can be reached: the folders that were chosen, and nothing through dots or links.
use super::client::{Desk, bench};
use serde_json::{Value, json};
use std::path::Path;

/// A folder with two frames of the bench in it.
fn frames(folder: &Path) {
    std::fs::create_dir_all(folder).unwrap();
    for name in ["bench_half.jpg", "bench_nominal.jpg"] {
        std::fs::copy(bench().join(name), folder.join(name)).unwrap();
    }
}

fn names(list: &Value) -> Vec<&str> {
    let list = list.as_array().unwrap();
    list.iter().map(|e| e["name"].as_str().unwrap()).collect()
}

/// Addresses that lead up, or to nothing.
const UP: [&str; 13] = [
    "/../secret.jpg",
    "/page/../mod.rs",
    "/page/%2e%2e%2fmod.rs",
    "/results/r1/../../secret.jpg",
    "/results/r1/%2e%2e/%2e%2e/secret.jpg",
    "/results/r1/..%2f..%2fsecret.jpg",
    "/results/r1//etc/passwd",
    "/results/r1/%2fetc%2fpasswd",
    "/results/r1/report.json%00.html",
    "/results/r2/report.json",
    "/api/picture/p999",
    "/api/picture/..",
    "/api/sheet/s1.svg",
];

#[test]
fn dots_lead_nowhere() {
    let base = tempfile::tempdir().unwrap();
    let inside = base.path().join("in");
    frames(&inside);
    std::fs::write(base.path().join("secret.jpg"), b"secret").unwrap();
    let desk = Desk::on(&inside);
    desk.opened();
    desk.ran("a");
    for path in UP {
        let reply = desk.get(path);
        assert!(
            matches!(reply.status, 403 | 404),
            "{path}: {}",
            reply.status
        );
        assert!(
            !reply
                .body
                .windows(6)
                .any(|w| w == b"secret" || w == b"root:x"),
            "{path}"
        );
    }
    assert_eq!(desk.get("/results/r1/report.json").status, 200);
    let up = format!("/api/folder?path={}", base.path().display());
    for path in [
        &*up,
        "/api/folder?path=/",
        "/api/folder?path=/etc",
        "/api/folder?path=..",
        "/api/folder?path=",
    ] {
        assert_eq!(desk.get(path).status, 403, "{path}");
    }
    for folder in ["/", "/etc", "..", base.path().to_str().unwrap()] {
        let reply = desk.change("POST", "/api/open", &json!({ "folder": folder }));
        assert_eq!(reply.status, 403, "{folder}");
    }
    for name in ["..", "a/b", "../a", "", ".a"] {
        let reply = desk.change("POST", "/api/run", &json!({ "name": name }));
        assert_eq!(reply.status, 400, "{name}");
    }
    let upload = desk.post("/api/upload", &json!({}));
    for name in ["..", "%2e%2e%2fa.jpg", "..%5ca.jpg", ".a.jpg", "a%00.jpg"] {
        let reply = desk.upload(upload["upload"].as_str().unwrap(), name, b"x");
        assert!(
            matches!(reply.status, 400 | 404),
            "{name}: {}",
            reply.status
        );
    }
}

#[cfg(unix)]
#[test]
fn links_lead_nowhere() {
    use std::os::unix::fs::symlink;
    let base = tempfile::tempdir().unwrap();
    let (inside, outside) = (base.path().join("in"), base.path().join("out"));
    frames(&inside);
    frames(&outside);
    symlink(outside.join("bench_half.jpg"), inside.join("link.jpg")).unwrap();
    symlink(&outside, inside.join("linked")).unwrap();
    // A link that stays inside is as good as the file.
    symlink(inside.join("bench_half.jpg"), inside.join("own.jpg")).unwrap();
    let desk = Desk::on(&inside);
    let listed = desk.value("/api/folder");
    assert_eq!(
        names(&listed["pictures"]),
        ["bench_half.jpg", "bench_nominal.jpg", "own.jpg"]
    );
    assert!(names(&listed["folders"]).is_empty());
    for path in ["linked", "link.jpg"] {
        let asked = format!("/api/folder?path={}", inside.join(path).display());
        assert_eq!(desk.get(&asked).status, 403, "{path}");
    }
    let state = desk.opened();
    let unused = state["survey"]["unused"].as_array().unwrap();
    let link = unused.iter().find(|u| u["file"] == "link.jpg").unwrap();
    assert!(link["reason"].as_str().unwrap().contains("outside"));
    desk.ran("a");
    let report = desk.value("/results/r1/report.json").to_string();
    assert!(!report.contains("link.jpg") && report.contains("bench_half.jpg"));
    // Links put among the results, and a picture exchanged for a link after it was listed.
    let results = desk.results().join("a");
    symlink(outside.join("bench_half.jpg"), results.join("x.jpg")).unwrap();
    symlink(&outside, results.join("y")).unwrap();
    for path in ["/results/r1/x.jpg", "/results/r1/y/bench_half.jpg"] {
        assert_eq!(desk.get(path).status, 403, "{path}");
    }
    let nominal = inside.join("bench_nominal.jpg");
    let id = listed["pictures"][1]["picture"].as_str().unwrap();
    assert_eq!(desk.get(&format!("/api/picture/{id}/thumb")).status, 200);
    std::fs::remove_file(&nominal).unwrap();
    symlink(outside.join("bench_nominal.jpg"), &nominal).unwrap();
    for what in ["", "/thumb", "/view", "/tile/0/0/0"] {
        assert_eq!(
            desk.get(&format!("/api/picture/{id}{what}")).status,
            403,
            "{what}"
        );
    }
}

#[test]
fn nothing_is_written_outside_the_results_and_nothing_is_left_behind() {
    let base = tempfile::tempdir().unwrap();
    let inside = base.path().join("in");
    frames(&inside);
    let mut desk = Desk::on(&inside);
    let upload = desk.post("/api/upload", &json!({}))["upload"].clone();
    let upload = upload.as_str().unwrap();
    let bytes = std::fs::read(bench().join("bench_double.jpg")).unwrap();
    assert_eq!(desk.upload(upload, "a%20b.jpg", &bytes).status, 200);
    assert_eq!(desk.upload(upload, "a%20b.jpg", &bytes).status, 409);
    let file = desk.results().join("uploaded/a b.jpg");
    assert_eq!(std::fs::read(&file).unwrap(), bytes);
    desk.post("/api/open", &json!({ "upload": upload }));
    let survey = desk.value("/api/state")["survey"].clone();
    assert_eq!(survey["singles"][0]["file"], "a b.jpg");
    desk.post("/api/quit", &json!({}));
    assert_eq!(desk.child.wait().unwrap().code(), Some(0));
    assert!(
        !desk.results().exists(),
        "the upload and the folder made for it"
    );
    assert_eq!(std::fs::read_dir(&inside).unwrap().count(), 2);
    assert_eq!(
        std::fs::read_dir(desk.base.path().join("home"))
            .unwrap()
            .count(),
        0
    );
}

#[cfg(unix)]
#[test]
fn told_to_end_it_leaves_nothing_behind() {
    let mut desk = Desk::on(&bench());
    let upload = desk.post("/api/upload", &json!({}))["upload"].clone();
    assert_eq!(
        desk.upload(upload.as_str().unwrap(), "a.jpg", b"x").status,
        200
    );
    assert!(desk.results().join("uploaded/a.jpg").exists());
    let told = std::process::Command::new("kill")
        .args(["-INT", &desk.child.id().to_string()])
        .status();
    assert!(told.unwrap().success());
    assert_eq!(desk.child.wait().unwrap().code(), Some(130));
    assert!(!desk.results().exists());
}
