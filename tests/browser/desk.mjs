// The whole job on the desk's page, by mouse and by keyboard, in headless Chromium.
//
//     node desk.mjs ADDRESS FOLDER [AXE]
//
// ADDRESS is what `stopspan desk samples/bench` prints; pictures of the window go into FOLDER; AXE is axe-core's axe.min.js. Ends with
// code 0 and a line of JSON on standard output: the run's folder, the value read in the map and where.
import { readFileSync } from "node:fs";
import { join } from "node:path";
import { Browser, sleep } from "./driver.mjs";

const [address, shots, axe] = process.argv.slice(2);
const browser = new Browser();
let failures = 0;

/** @param {boolean} true_ @param {string} what */
function check(true_, what) {
  if (!true_) failures++;
  process.stderr.write(`${true_ ? "ok  " : "FAIL"} ${what}\n`);
}

/** Pictures of the window at both widths in both looks, and what the accessibility checker finds. */
async function seen(name) {
  for (const [width, height] of [[1280, 900], [390, 844]]) {
    for (const scheme of ["light", "dark"]) {
      await browser.look(width, height, scheme);
      await sleep(350);
      await browser.run("scrollTo(0, 0)");
      await browser.shot(join(shots, `${name}-${width}-${scheme}.png`), true);
      check(await browser.run("document.documentElement.scrollWidth <= innerWidth"), `${name}: no sideways scrolling at ${width}`);
      if (!axe) continue;
      await browser.run(`${readFileSync(axe, "utf8")};0`);
      const found = await browser.run(async () => {
        const { violations } = await globalThis.axe.run(document);
        return violations.map((v) => `${v.id} (${v.impact}): ${v.nodes.map((n) => n.html.slice(0, 120)).join(" | ")}`);
      });
      check(found.length === 0, `${name}: accessibility at ${width}, ${scheme} ${found.join("; ")}`);
    }
  }
  await browser.look(1280, 900, "light");
}

/** Goes to a task by its link. */
async function task(name) {
  await browser.click("nav a", name);
  await browser.until(`!document.getElementById(${JSON.stringify(name.toLowerCase())}).hidden`, name);
}

/** Where a place of the picture is in the window. */
const inWindow = (place) =>
  browser.run(
    ([x, y], selector) => {
      const canvas = document.querySelector(selector);
      canvas.scrollIntoView({ block: "center" });
      const box = canvas.getBoundingClientRect();
      const scale = Math.min(box.width / 1600, box.height / 1200);
      return [box.left + box.width / 2 + (x - 800) * scale, box.top + box.height / 2 + (y - 600) * scale];
    },
    place,
    "section:not([hidden]) .viewer-stage canvas",
  );

async function choose() {
  await browser.open(address);
  await browser.until(() => document.querySelector("#choose .folders"), "the page");
  if (!(await browser.run(() => document.querySelectorAll("#choose .card").length))) {
    await browser.until(() => document.querySelectorAll("#choose .browser .thumbs img").length >= 4, "thumbnails");
    await browser.click("#choose button.first");
  }
  await browser.until(() => document.querySelectorAll("#choose .card .thumbs img").length >= 4, "the bracket");
  await browser.until(() => [...document.querySelectorAll("#choose .card img")].every((i) => i.complete && i.naturalWidth), "its thumbnails");
  const text = await browser.run(() => document.querySelector("#choose .card").textContent);
  for (const words of ["bench_half.jpg", "bench_nominal.jpg", "bench_double.jpg", "bench_hdr.jpg", "reference"]) check(text.includes(words), `bracket shows ${words}`);
  // A correction and its undoing.
  const ticks = () => browser.run(() => document.querySelectorAll("#choose .card:first-of-type input").length);
  const before = await ticks();
  await browser.click("#choose .card li:nth-of-type(1) input");
  await browser.click("#choose button", "Exclude");
  await browser.until(() => [...document.querySelectorAll("#choose h3")].some((h) => h.textContent === "Excluded"), "the frame is excluded");
  await browser.click("#choose .tools summary").catch(() => {});
  await browser.until(() => document.querySelector("#choose .tools"), "tools");
  await browser.run(() => (document.querySelector("#choose .tools").open = true));
  await browser.click("#choose button", "Undo");
  await browser.until(() => ![...document.querySelectorAll("#choose h3")].some((h) => h.textContent === "Excluded"), "the frame is back");
  await browser.until(() => document.querySelectorAll("#choose .card .thumbs img").length >= 4, "the bracket again");
  check((await ticks()) === before, "undo brings the frame back");
  await seen("choose");
}

const resolved = () => browser.run(() => Number(document.querySelector("#point .big")?.textContent));
const cornerNow = () => browser.run(() => [...document.querySelectorAll("#point .grid input")].slice(0, 2).map((i) => Number(i.value)));

async function point() {
  await task("Point");
  await browser.until(() => document.querySelector("#point .big"), "a count");
  check((await resolved()) >= 17, `steps resolved on the reference: ${await resolved()}`);
  await seen("point");
  const [x, y] = await cornerNow();
  // The wedge drawn by the simulator has its top-left corner there (samples/bench/scenario.json).
  check(Math.hypot(x - 130, y - 974) < 6, `top-left corner found at ${x}, ${y}`);
  const from = await inWindow([x, y]);
  const scale = await browser.run(() => document.querySelector("#point canvas").clientWidth / 1600);
  const began = Date.now();
  await browser.mouse("mouseMoved", ...from);
  await browser.mouse("mousePressed", ...from);
  for (let k = 1; k <= 6; k++) await browser.mouse("mouseMoved", from[0] + 20 * k, from[1] - 30 * k, { buttons: 1 });
  await sleep(600);
  await browser.shot(join(shots, "point-drag-1280-light.png"));
  await browser.mouse("mouseReleased", from[0] + 120, from[1] - 180);
  const off = await browser.until(async () => {
    const now = await cornerNow();
    return Math.hypot(now[0] - x - 120 / scale, now[1] - y + 180 / scale) < 3 / scale && now;
  }, "the corner follows");
  await browser.until(async () => (await browser.run(() => Number(document.querySelector("#point .big")?.textContent ?? 0))) < 17, "fewer steps with a corner off");
  check(true, `corner off at ${off}, ${await resolved()} steps, ${Date.now() - began} ms`);
  await browser.drag(await inWindow(off), await inWindow([x, y]));
  await browser.until(async () => (await resolved()) >= 17, "the steps are back");
  check(true, `corner back, ${await resolved()} steps`);
  // The same by keyboard: the number under "Corners as numbers".
  await browser.run(() => {
    document.querySelector("#point .corners").open = true;
    const input = document.querySelector("#point .grid input");
    input.focus();
    input.select();
  });
  await browser.type(String(x));
  await browser.press("Tab");
  await browser.until(async () => (await cornerNow())[0] === x, "typed corner");
  await browser.click("#point button", "Find the wedge");
  await browser.until(async () => (await resolved()) >= 17, "found again");
}

async function run() {
  await task("Run");
  // Settings as typed and chosen, and back: the files are compared with those of a run without any.
  await browser.run(() => (document.querySelector("#run details").open = true));
  const kept = () => browser.run(async () => (await (await fetch("/api/state")).json()).settings);
  for (const [quality, output] of [
    ["80", "display-p3"],
    ["92", "srgb"],
  ]) {
    await browser.run(() => document.querySelector("#run input[type=number]").select());
    await browser.type(quality);
    await browser.press("Tab");
    await browser.run(`(() => { const s = document.querySelector("#run select"); s.value = "${output}"; s.dispatchEvent(new Event("change")); })()`);
    await browser.until(async () => {
      const now = await kept();
      return now.jpeg_quality === Number(quality) && now.look.output === output;
    }, `JPEG quality ${quality} and ${output} are kept`);
  }
  await seen("run-settings");
  await browser.run(() => (document.querySelector("#run details").open = false));
  // By keyboard alone: focus is on the page, Tab reaches the name, then the button.
  await browser.run(() => document.querySelector("#run input").focus());
  await browser.type("first");
  await browser.press("Tab");
  check((await browser.run("document.activeElement.textContent")) === "Run", "Tab reaches Run");
  const outline = await browser.run("getComputedStyle(document.activeElement).outlineStyle");
  check(outline !== "none", `focus is visible (${outline})`);
  await browser.press("Enter");
  await browser.until(() => /stage|merging|reading|Running|Done/.test(document.querySelector("#run [role=status]").textContent), "progress");
  await browser.shot(join(shots, "running-1280-light.png"));
  await browser.until(() => document.querySelector("#run .summary"), "the answer", 120);
  const text = await browser.run(() => document.querySelector("#run .summary").textContent);
  check(/merge\s+21/.test(text), "the answer says that the merge resolves 21 steps");
  await seen("run");
}

/** The report as the desk gives it: its viewer has its pictures, and nothing else can be called or run. */
async function report() {
  const back = await browser.run("location.href");
  const page = await browser.run(() => [...document.querySelectorAll("#run a")].find((a) => a.textContent === "Open the report").href);
  await browser.open(page);
  await browser.run(() => (document.querySelector(".compared").open = true));
  await browser.until(() => document.querySelectorAll(".viewer-stage canvas").length === 2, "the report's viewer");
  await browser.middle(".viewer-stage");
  const light = () => {
    const canvas = document.querySelector(".viewer-stage canvas");
    return canvas.getContext("2d").getImageData(canvas.width / 2, canvas.height / 2, 1, 1).data[3] === 255;
  };
  await browser.until(light, "its pictures");
  // The report names no icon, so the browser asks for the usual one.
  const complaints = browser.complaints.filter((c) => !c.includes("favicon.ico"));
  check(complaints.length === 0, `the report shows all its pictures ${complaints.join("; ")}`);
  const called = await browser.run(async () => fetch("/api/state").then(() => true, () => false));
  check(!called, "the report cannot call the desk");
  await browser.run(() => {
    const script = document.createElement("script");
    script.textContent = "globalThis.ran = true";
    document.body.append(script);
  });
  check((await browser.run("globalThis.ran")) !== true, "no other script runs on the report");
  browser.complaints.length = 0;
  await browser.open(back);
  await browser.until(() => document.querySelector("#run .summary"), "the run again");
}

/** Most by which codes of tiles of the map differ between the graphics processor and the page's own arithmetic; whole and at the edge. */
const shaderAgainstPage = async () => {
  const { MapTiles } = await import("/page/tiles.js");
  const { run } = await (await fetch("/api/state")).json();
  const { brackets } = await (await fetch(`/api/result/${run.id}`)).json();
  const map = await MapTiles.open(brackets[0].map, () => {});
  if (!map.shader) return "none";
  const pixels = (source) => {
    const pen = new OffscreenCanvas(source.width, source.height).getContext("2d");
    pen.drawImage(source, 0, 0);
    return pen.getImageData(0, 0, source.width, source.height).data;
  };
  let most = 0;
  for (const place of [[0, 1, 3], [0, 6, 4], [map.shape.levels - 1, 0, 0]]) {
    const tile = map.tile(...place);
    await tile.arrives;
    for ([map.stops, map.marked] of [[0, 0], [1.3, 4], [-2, 1]]) {
      const { shader } = map;
      const drawn = pixels(map.drawn(tile));
      map.shader = undefined;
      const own = pixels(map.drawn(tile));
      map.shader = shader;
      for (let i = 0; i < own.length; i++) most = Math.max(most, Math.abs(own[i] - drawn[i]));
    }
  }
  return most;
};

async function look() {
  await task("Look");
  await browser.until(() => document.querySelectorAll("#look canvas").length === 2, "two pictures");
  const apart = await browser.run(shaderAgainstPage);
  if (apart === "none") console.error("SKIPPED: no WebGL 2 in this browser");
  else check(apart <= 1, `the map's tiles differ by ${apart} codes between the graphics processor and the page`);
  // Slide exposure by keyboard.
  await browser.run(() => document.querySelector("#look input[type=range]").focus());
  for (let k = 0; k < 10; k++) await browser.press("ArrowRight");
  check((await browser.run(() => document.querySelector("#look .side output").textContent)) === "+1.0", "ten steps are one stop");
  const light = () =>
    browser.run(() => {
      const canvas = document.querySelector("#look canvas");
      const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
      let sum = 0;
      for (let i = 0; i < data.length; i += 4) sum += data[i + 1];
      return sum / (data.length / 4);
    });
  await sleep(500);
  const bright = await light();
  for (let k = 0; k < 20; k++) await browser.press("ArrowLeft");
  await sleep(500);
  check((await light()) < 0.8 * bright, "two stops less are darker");
  // Read a value under the mouse; arrows read the middle.
  const at = await inWindow([900, 1030]);
  await browser.mouse("mouseMoved", ...at);
  const value = await browser.until(() => {
    const shown = document.querySelector("#look .value");
    return shown.dataset.green && { green: Number(shown.dataset.green), place: shown.dataset.place.split(",").map(Number), words: shown.textContent };
  }, "a value");
  check(Math.hypot(value.place[0] - 900, value.place[1] - 1030) < 3, `place under the mouse is ${value.place}`);
  await seen("look");
  // Four pictures, single pixels.
  for (const index of [2, 3]) await browser.click(`#look .viewer-choice label:nth-of-type(${index + 1})`);
  await browser.until(() => document.querySelectorAll("#look canvas").length === 4, "four pictures");
  await browser.run(() => document.querySelector("#look .viewer-stage").focus());
  for (let k = 0; k < 6; k++) await browser.press("+");
  for (let k = 0; k < 2; k++) await browser.press("ArrowDown");
  await sleep(900);
  await browser.shot(join(shots, "look-four-1280-light.png"));
  await browser.press("b");
  await browser.until(() => document.querySelectorAll("#look canvas").length === 1, "in turn");
  await browser.press("b");
  await browser.press("0");
  // A look tried out.
  await browser.run(() => document.querySelectorAll("#look input[type=range]")[2].focus());
  for (let k = 0; k < 5; k++) await browser.press("ArrowLeft");
  const ms = await browser.until(() => Number(document.querySelector("#look [data-milliseconds]")?.dataset.milliseconds), "a preview");
  check(ms < 1500, `preview of a look after ${ms} ms`);
  await sleep(400);
  await browser.shot(join(shots, "look-tried-1280-light.png"), true);
  return value;
}

async function publish() {
  await task("Publish");
  await browser.until(() => document.querySelector("#publish canvas"), "the picture");
  await browser.clickAt(...(await inWindow([700, 500])));
  await browser.until(() => document.querySelectorAll("#publish .chips li").length === 1, "a crop");
  await browser.click("#publish button", "Show the sheets");
  await browser.until(() => document.querySelectorAll("#publish .sheets li").length > 3, "sheets", 60);
  await browser.run(() => document.querySelector("#publish .sheets").scrollIntoView());
  await browser.until(() => [...document.querySelectorAll("#publish .sheets img")].slice(0, 4).every((i) => i.complete && i.naturalWidth), "their pictures");
  await seen("publish");
  await browser.click("#publish button", "Publish");
  await browser.until(() => document.querySelector("#publish")?.textContent.includes("Published:"), "published", 60);
  return browser.run(() => [...document.querySelectorAll("#publish [role=status] details li")].map((l) => l.textContent));
}

try {
  await browser.start();
  await browser.look(1280, 900);
  await choose();
  await point();
  await run();
  await report();
  const value = await look();
  const files = await publish();
  // Closed and opened again, the page finds the run as it is.
  await browser.open("about:blank");
  await browser.open(`${address.split("?")[0]}#run`);
  await browser.until(() => document.querySelector("#run .summary"), "the run after opening again");
  check(browser.complaints.length === 0, `nothing on the console: ${browser.complaints.join("; ")}`);
  const folder = await browser.run(async () => (await (await fetch("/api/state")).json()).run.folder);
  process.stdout.write(`${JSON.stringify({ folder, value, files })}\n`);
} catch (error) {
  failures++;
  process.stderr.write(`FAIL ${error.stack}\n`);
  await browser.shot(join(shots, "failed.png")).catch(() => {});
  process.stderr.write(`${await browser.run("document.querySelector('#problem').textContent").catch(() => "")}\n${browser.complaints.join("\n")}\n`);
} finally {
  await browser.close();
}
process.exitCode = failures ? 1 : 0;
