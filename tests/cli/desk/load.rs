//! Clients that ask too much, or nothing at all, do not keep the person's own browser out.
use super::client::{Desk, bench};
use serde_json::json;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::{Duration, Instant};

/// Longest time for an answer while others misbehave.
const SOON: Duration = Duration::from_secs(2);

fn answers_soon(desk: &Desk) {
    let begun = Instant::now();
    assert_eq!(desk.get("/api/state").status, 200);
    assert!(begun.elapsed() < SOON, "{:?}", begun.elapsed());
}

#[test]
fn a_thousand_connections_do_not_block() {
    let desk = Desk::on(&bench());
    let mut open: Vec<TcpStream> = Vec::new();
    for _ in 0..1000 {
        open.push(desk.connect());
    }
    answers_soon(&desk);
    // Requests half sent, and ones that are refused, on all of them.
    for (n, stream) in open.iter_mut().enumerate() {
        let text: &[u8] = if n % 2 == 0 {
            b"GET /api/state HT"
        } else {
            b"GET / HTTP/1.1\r\n\r\n"
        };
        let _ = stream.write_all(text); // ended already, some of them
    }
    answers_soon(&desk);
    // Connections of the person's own that listen and read nothing.
    let own = desk.own();
    let listen = format!(
        "GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n{}\r\n\r\n",
        desk.port, own[0]
    );
    let mut listening: Vec<TcpStream> = (0..300).map(|_| desk.connect()).collect();
    for stream in &mut listening {
        let _ = stream.write_all(listen.as_bytes());
    }
    answers_soon(&desk);
    for linear in [true, false, true, false] {
        desk.change("PUT", "/api/settings", &json!({ "linear": linear }));
    }
    answers_soon(&desk);
}

#[test]
fn slow_clients_wait_for_themselves() {
    let desk = Desk::on(&bench());
    desk.opened();
    desk.ran("a");
    // A head that never ends, a body that never comes, an answer that is never read.
    let mut half = desk.connect();
    half.write_all(b"GET /api/state HTTP/1.1\r\nHost: ")
        .unwrap();
    let own = desk.own().join("\r\n");
    let host = format!("Host: 127.0.0.1:{}\r\n{own}\r\n", desk.port);
    let mut bodies: Vec<TcpStream> = (0..20).map(|_| desk.connect()).collect();
    for body in &mut bodies {
        let head = format!(
            "POST /api/run HTTP/1.1\r\n{host}Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{{"
        );
        body.write_all(head.as_bytes()).unwrap();
    }
    let bracket = desk.value("/api/result/r1")["brackets"][0]["name"].clone();
    let mut readers: Vec<TcpStream> = (0..20).map(|_| desk.connect()).collect();
    for reader in &mut readers {
        let path = format!("/results/r1/{}/radiance.exr", bracket.as_str().unwrap());
        reader
            .write_all(format!("GET {path} HTTP/1.1\r\n{host}\r\n").as_bytes())
            .unwrap();
    }
    answers_soon(&desk);
    let picture = desk.value("/api/folder")["pictures"][0]["picture"].clone();
    let begun = Instant::now();
    let small = desk.get(&format!("/api/picture/{}/thumb", picture.as_str().unwrap()));
    assert_eq!(small.status, 200);
    assert!(begun.elapsed() < SOON, "{:?}", begun.elapsed());
    // The head has ten seconds.
    let begun = Instant::now();
    let mut rest = Vec::new();
    let _ = half.read_to_end(&mut rest);
    assert!(
        begun.elapsed() < Duration::from_secs(20),
        "{:?}",
        begun.elapsed()
    );
}

#[test]
fn a_huge_upload_is_refused_before_it_comes() {
    let desk = Desk::on(&bench());
    let upload = desk.post("/api/upload", &json!({}));
    let id = upload["upload"].as_str().unwrap();
    let most = upload["bytes_at_most"].as_u64().unwrap();
    let own = desk.own();
    let put = |length: &str, body: &[u8]| {
        let line = format!("PUT /api/upload/{id}/a.jpg HTTP/1.1\r\n");
        let headers = [&*own[0], &own[1], &own[2], length];
        desk.send(&line, &headers, body)
    };
    assert_eq!(
        put(&format!("Content-Length: {}", most + 1), b"x").status,
        413
    );
    // Hyper refuses a length of all ones by itself.
    let reply = put(&format!("Content-Length: {}", u64::MAX), b"x");
    assert!(matches!(reply.status, 413 | 431), "{}", reply.status);
    assert_eq!(
        put("Transfer-Encoding: chunked", b"1\r\nx\r\n0\r\n\r\n").status,
        411
    );
    let line = "POST /api/run HTTP/1.1\r\n";
    let long = vec![b' '; 2 << 20];
    let length = format!("Content-Length: {}", long.len());
    let headers = [
        &*own[0],
        &own[1],
        &own[2],
        "Content-Type: application/json",
        &length,
    ];
    assert_eq!(desk.send(line, &headers, &long).status, 413);
    let length = format!("X-Long: {}", "x".repeat(200_000));
    let reply = desk.send("GET /api/state HTTP/1.1\r\n", &[&own[0], &length], b"");
    assert!(matches!(reply.status, 400 | 431), "{}", reply.status);
    // A file that breaks off is gone.
    let mut broken = desk.connect();
    let head = format!(
        "PUT /api/upload/{id}/b.jpg HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n{}\r\nContent-Length: 100\r\n\r\nhalf",
        desk.port,
        own.join("\r\n")
    );
    broken.write_all(head.as_bytes()).unwrap();
    let file = desk.results().join("uploaded/b.jpg");
    let there = |wanted: bool| {
        let begun = Instant::now();
        while file.exists() != wanted && begun.elapsed() < SOON {
            std::thread::sleep(Duration::from_millis(10));
        }
        file.exists()
    };
    assert!(there(true));
    drop(broken);
    assert!(!there(false));
}

/// Issued by the system: resident memory in KiB, and the time used in ticks of a hundredth of a second.
#[cfg(target_os = "linux")]
fn used(desk: &Desk) -> (u64, u64) {
    let read =
        |name: &str| std::fs::read_to_string(format!("/proc/{}/{name}", desk.child.id())).unwrap();
    let status = read("status");
    let line = status
        .lines()
        .find_map(|l| l.strip_prefix("VmRSS:"))
        .unwrap();
    let memory = line.trim().trim_end_matches(" kB").parse().unwrap();
    let stat = read("stat");
    let fields: Vec<&str> = stat.rsplit_once(") ").unwrap().1.split(' ').collect();
    let ticks = |n: usize| fields[n].parse::<u64>().unwrap();
    (memory, ticks(11) + ticks(12))
}

#[cfg(target_os = "linux")]
#[test]
fn a_desk_that_waits_takes_no_time_and_little_memory() {
    let desk = Desk::on(&bench());
    let mut page = desk.connect();
    let own = desk.own();
    let listen = format!(
        "GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n{}\r\n\r\n",
        desk.port, own[0]
    );
    page.write_all(listen.as_bytes()).unwrap();
    answers_soon(&desk);
    let (memory, before) = used(&desk);
    assert!(memory <= 40 << 10, "{memory} KiB");
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!(used(&desk).1 - before, 0, "hundredths of a second in three");
}
