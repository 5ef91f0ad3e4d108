// The report page in headless Chromium: its viewer, opened from a folder and from a plain web server, and what the accessibility
// checker finds, at 1280 and 390 px in both looks.
//
//     node report.mjs RESULTS FOLDER [AXE]
//
// RESULTS is what a run over samples/bench left; pictures of the window go into FOLDER; AXE is axe-core's axe.min.js.
import { createReadStream } from "node:fs";
import { readFileSync } from "node:fs";
import { createServer } from "node:http";
import { join, normalize } from "node:path";
import { pathToFileURL } from "node:url";
import { Browser, sleep } from "./driver.mjs";

const [results, shots, axe] = process.argv.slice(2);
const browser = new Browser();
let failures = 0;

function check(right, what) {
  if (!right) failures++;
  process.stderr.write(`${right ? "ok  " : "FAIL"} ${what}\n`);
}

/** Files and nothing else, as any static host gives them. */
const KINDS = { html: "text/html", jpg: "image/jpeg", png: "image/png", svg: "image/svg+xml" };
const server = createServer((request, answer) => {
  const path = normalize(decodeURIComponent(request.url.split("?")[0]));
  const file = createReadStream(join(results, path));
  answer.setHeader("Content-Type", KINDS[path.split(".").pop()] ?? "application/octet-stream");
  file.on("error", () => answer.writeHead(404).end());
  file.pipe(answer);
});

/** Opens the page, its viewer unfolded. */
async function open(address) {
  await browser.open(address);
  await browser.run(() => (document.querySelector(".compared").open = true));
  await browser.middle(".viewer-stage");
  await browser.until(() => [...document.querySelectorAll(".viewer-stage canvas")].length === 2, "two pictures");
}

/** The viewer by wheel, drag and keys; works where pictures may not be read. */
async function viewer(kind) {
  await sleep(700);
  await browser.shot(join(shots, `viewer-${kind}.png`));
  const said = () => browser.run(() => document.querySelector(".viewer-place").textContent);
  const place = async () => (await said()).match(/column ([-\d.]+), row ([-\d.]+)/).slice(1).map(Number);
  const [x, y] = await browser.middle(".viewer-stage canvas");
  // The middle of the pane is the middle of the picture: 1600 x 1200 pixels (samples/bench/scenario.json).
  await browser.clickAt(x, y);
  const middle = await place();
  check(Math.hypot(middle[0] - 800, middle[1] - 600) < 3, `${kind}: the middle is ${middle}`);
  const zoom = async () => Number((await said()).match(/at (\d+)/)[1]);
  const whole = await zoom();
  for (let k = 0; k < 4; k++) await browser.call("Input.dispatchMouseEvent", { type: "mouseWheel", x, y, deltaX: 0, deltaY: -240 });
  await sleep(200);
  check(Math.abs((await zoom()) / whole - 16) < 1, `${kind}: four clicks of the wheel zoom from ${whole} to ${await zoom()} %`);
  const still = await place();
  check(Math.hypot(still[0] - middle[0], still[1] - middle[1]) < 1, `${kind}: the place under the cursor stays`);
  await browser.drag([x, y], [x - 100, y]);
  await sleep(100);
  await browser.mouse("mouseMoved", x, y);
  await sleep(100);
  const moved = (await place())[0] - still[0];
  check(Math.abs(moved - 10000 / (await zoom())) < 1.5, `${kind}: a drag of 100 px moves by ${moved.toFixed(1)} pixels`);
  await browser.shot(join(shots, `viewer-${kind}-pixels.png`));
  // Keys: 100 %, two marks, in turn, whole.
  await browser.press("1");
  await browser.press("m");
  await browser.press("ArrowRight");
  await browser.press("m");
  const marks = (await browser.run(() => document.querySelector(".viewer-marks").textContent)).split(",").map(Number);
  check(marks.length === 4 && marks[2] > marks[0] && marks[3] === marks[1], `${kind}: two marks ${marks}`);
  await browser.until(async () => (await zoom()) === 100, "key 1 is 100 %");
  await browser.press("b");
  await browser.until(() => document.querySelectorAll(".viewer-stage canvas").length === 1, "pictures in turn");
  const name = () => browser.run(() => document.querySelector(".viewer-pane p").textContent);
  const first = await name();
  await browser.until(async () => (await name()) !== first, "the next picture by itself", 3);
  await browser.press(" ");
  const stopped = await name();
  await sleep(1800);
  check((await name()) === stopped, `${kind}: space steps and stops the clock`);
  await browser.press("b");
  await browser.press("0");
  await browser.until(async () => (await zoom()) === whole, "key 0 is the whole picture");
}

/** On a web server pixels may be read: at 100 % the pane shows the file's own. */
async function exact() {
  await browser.mouse("mouseMoved", 2, 2);
  const wrong = await browser.run(async () => {
    const stage = document.querySelector(".viewer-stage");
    for (const key of ["Backspace", "Backspace", "1"]) stage.dispatchEvent(new KeyboardEvent("keydown", { key }));
    await new Promise((done) => setTimeout(done, 300));
    const canvas = stage.querySelector("canvas");
    const [width, height] = [canvas.width, canvas.height];
    const image = new Image();
    image.src = canvas.previousElementSibling.querySelector("a").href;
    await image.decode();
    const other = new OffscreenCanvas(width, height).getContext("2d");
    // Whole pixels: the pane's middle is the middle of the picture.
    const [left, top] = [image.naturalWidth / 2 - width / 2, image.naturalHeight / 2 - height / 2];
    other.drawImage(image, Math.round(-left), Math.round(-top));
    const [a, b] = [canvas.getContext("2d").getImageData(0, 0, width, height).data, other.getImageData(0, 0, width, height).data];
    let wrong = 0;
    for (let i = 0; i < a.length; i += 4) wrong += a[i] !== b[i] || a[i + 1] !== b[i + 1] || a[i + 2] !== b[i + 2];
    return wrong / (a.length / 4);
  });
  check(wrong === 0, `at 100 % the pane has the file's pixels (${(100 * wrong).toFixed(2)} % differ)`);
}

/** Every way of looking at the page; all parts unfolded. */
async function looks(address) {
  for (const [width, height] of [[1280, 900], [390, 844]]) {
    for (const scheme of ["light", "dark"]) {
      await browser.look(width, height, scheme);
      await browser.open(address);
      await browser.shot(join(shots, `page-${width}-${scheme}.png`));
      check(await browser.run("document.documentElement.scrollWidth <= innerWidth"), `no sideways scrolling at ${width}`);
      await browser.run(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
      await sleep(400);
      check(await browser.run("document.documentElement.scrollWidth <= innerWidth"), `no sideways scrolling at ${width}, unfolded`);
      if (!axe) continue;
      await browser.run(`${readFileSync(axe, "utf8")};0`);
      const found = await browser.run(async () => {
        const { violations } = await globalThis.axe.run(document);
        return violations.map((v) => `${v.id} (${v.impact}): ${v.nodes.map((n) => n.html.slice(0, 120)).join(" | ")}`);
      });
      check(found.length === 0, `accessibility at ${width}, ${scheme} ${found.join("; ")}`);
    }
  }
  await browser.look(1280, 900, "light");
}

/** What the Tab key reaches shows that it has the focus, in the order of the page. */
async function keyboard(address) {
  await browser.open(address);
  await browser.run(() => document.querySelectorAll("details").forEach((d) => (d.open = true)));
  const reached = [];
  for (let k = 0; k < 60; k++) {
    await browser.press("Tab");
    const at = await browser.run(() => {
      const e = document.activeElement;
      if (!e || e === document.body) return null;
      const style = getComputedStyle(e);
      const box = e.getBoundingClientRect();
      return { what: `${e.tagName} ${e.className} ${e.textContent.slice(0, 30)}`, shown: style.outlineStyle !== "none", top: box.top + scrollY };
    });
    if (!at) break;
    reached.push(at);
  }
  check(reached.length > 20, `Tab reaches ${reached.length} places`);
  const hidden = reached.filter((r) => !r.shown);
  check(hidden.length === 0, `focus is visible everywhere ${hidden.map((h) => h.what).join("; ")}`);
}

try {
  await browser.start();
  await browser.look(1280, 900);
  await new Promise((done) => server.listen(0, "127.0.0.1", done));
  const folder = pathToFileURL(join(results, "report.html")).href;
  const host = `http://127.0.0.1:${server.address().port}/report.html`;
  await open(folder);
  await viewer("folder");
  await open(host);
  await viewer("host");
  await exact();
  await keyboard(folder);
  await looks(folder);
  check(browser.complaints.filter((c) => !c.includes("favicon")).length === 0, `nothing on the console: ${browser.complaints.join("; ")}`);
} catch (error) {
  failures++;
  process.stderr.write(`FAIL ${error.stack}\n`);
} finally {
  await browser.close();
  server.close();
}
process.exitCode = failures ? 1 : 0;
