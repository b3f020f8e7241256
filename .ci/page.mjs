// Opens report pages in headless Chromium and looks at them as a person would: nothing fetched, nothing complained of, the
// figures those of the other commands, choosing a part seen in the plots, every plot reached by keyboard, nothing clipped.
// Speaks the DevTools protocol over a pipe, so that nothing besides Node and Chromium is needed.
//
// usage: node page.mjs CHROMIUM PAGE JSON [PICTURES]   JSON: of `noise` with the same flags; PICTURES: a folder for screenshots
import { spawn } from "node:child_process";
import { mkdtempSync, readFileSync, rmSync, statSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { basename, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const [chromium, file, json, pictures] = process.argv.slice(2);
const LARGEST = 1_000_000;
const profile = mkdtempSync(join(tmpdir(), "page-"));
const browser = spawn(
  chromium,
  ["--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--remote-debugging-pipe",
    `--user-data-dir=${profile}`, "about:blank"],
  { stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"] },
);

let number = 0;
let partial = "";
const waiting = new Map();
const events = [];
browser.stdio[4].on("data", (bytes) => {
  const messages = (partial + bytes).split("\0");
  partial = messages.pop();
  for (const text of messages) {
    const message = JSON.parse(text);
    if (!message.id) {
      events.push(message);
      continue;
    }
    const { done, failed } = waiting.get(message.id);
    waiting.delete(message.id);
    if (message.error) failed(new Error(message.error.message));
    else done(message.result);
  }
});
const send = (method, params = {}, sessionId) =>
  new Promise((done, failed) => {
    number += 1;
    waiting.set(number, { done, failed });
    browser.stdio[3].write(JSON.stringify({ id: number, method, params, sessionId }) + "\0");
  });
const until = async (what, holds) => {
  for (let turn = 0; turn < 300; turn += 1) {
    if (await holds()) return;
    await new Promise((done) => setTimeout(done, 50));
  }
  throw new Error(`in 15 seconds this did not come: ${what}`);
};

const problems = [];
let checks = 0;
const check = (holds, what) => {
  checks += 1;
  if (!holds) problems.push(what);
};

class Page {
  static async open({ width, height, dark = false, scripting = true, media = "" }) {
    const page = new Page();
    const { targetId } = await send("Target.createTarget", { url: "about:blank" });
    page.target = targetId;
    page.session = (await send("Target.attachToTarget", { targetId, flatten: true })).sessionId;
    for (const domain of ["Page", "Runtime", "Log", "Network"]) await page.send(`${domain}.enable`);
    await page.send("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: 1, mobile: false });
    await page.send("Emulation.setEmulatedMedia", {
      media, features: [{ name: "prefers-color-scheme", value: dark ? "dark" : "light" }],
    });
    if (!scripting) await page.send("Emulation.setScriptExecutionDisabled", { value: true });
    await page.send("Page.navigate", { url: pathToFileURL(resolve(file)).href });
    await until("the page", () => page.events("Page.loadEventFired").length > 0);
    return page;
  }
  send(method, params) {
    return send(method, params, this.session);
  }
  events(method) {
    return events.filter((event) => event.sessionId === this.session && event.method === method);
  }
  async ask(expression) {
    const { result, exceptionDetails } = await this.send("Runtime.evaluate", { expression, returnByValue: true });
    if (exceptionDetails) throw new Error(`${expression}: ${exceptionDetails.exception?.description}`);
    return result.value;
  }
  async press(key, code = key, text) {
    const number = { Tab: 9, Enter: 13, Escape: 27, ArrowLeft: 37, ArrowUp: 38, ArrowRight: 39, ArrowDown: 40 }[key];
    const stroke = { key, code, windowsVirtualKeyCode: number, text };
    await this.send("Input.dispatchKeyEvent", { type: text ? "keyDown" : "rawKeyDown", ...stroke });
    await this.send("Input.dispatchKeyEvent", { type: "keyUp", ...stroke });
  }
  async click(selector) {
    const at = await this.ask(`(() => { const it = document.querySelector(${JSON.stringify(selector)});
      it.scrollIntoView({ block: "center", inline: "center" }); const box = it.getBoundingClientRect();
      return { x: box.left + box.width / 2, y: box.top + box.height / 2 }; })()`);
    for (const type of ["mouseMoved", "mousePressed", "mouseReleased"]) {
      await this.send("Input.dispatchMouseEvent", { type, ...at, button: type === "mouseMoved" ? "none" : "left", clickCount: 1 });
    }
  }
  async picture(name, whole = false) {
    if (!pictures) return;
    const { data } = await this.send("Page.captureScreenshot", { format: "png", captureBeyondViewport: whole });
    writeFileSync(join(pictures, `${basename(file, ".html")}-${name}.png`), Buffer.from(data, "base64"));
  }
  /** What the browser complained of, and what it fetched besides the page. */
  quiet(what) {
    const complaints = [
      ...this.events("Runtime.exceptionThrown").map((event) => event.params.exceptionDetails.text),
      ...this.events("Runtime.consoleAPICalled").map((event) => JSON.stringify(event.params.args)),
      ...this.events("Log.entryAdded").map((event) => event.params.entry.text),
    ];
    check(complaints.length === 0, `${what}: the console says ${complaints.join("; ")}`);
    const fetched = this.events("Network.requestWillBeSent").map((event) => event.params.request.url);
    check(fetched.length === 1 && fetched[0].startsWith("file:"), `${what}: fetched ${fetched.join(", ")}`);
  }
  async close() {
    await send("Target.closeTarget", { targetId: this.target });
  }
}

/** Text that leaves its plot, texts of a plot that lie on each other, and a page wider than its window. */
const LAYOUT = `(() => {
  const found = [];
  if (document.documentElement.scrollWidth > innerWidth) {
    const wide = [...document.body.querySelectorAll("*")].filter((one) =>
      one.getBoundingClientRect().right > innerWidth + 1 && !one.closest(".wide, .chooser, .skip"));
    found.push("the page is wider than its window: " + wide.slice(0, 3).map((one) => one.outerHTML.slice(0, 80)).join(" and "));
  }
  for (const plot of document.querySelectorAll("svg.plot")) {
    const frame = plot.getBoundingClientRect();
    const name = plot.getAttribute("aria-label");
    const texts = [...plot.querySelectorAll("text")].map((text) => [text.textContent, text.getBoundingClientRect()]);
    texts.forEach(([text, box], at) => {
      if (box.left < frame.left - 1 || box.right > frame.right + 1 || box.top < frame.top - 1 || box.bottom > frame.bottom + 1)
        found.push(name + ": clipped: " + text);
      for (const [other, place] of texts.slice(at + 1))
        if (Math.min(box.right, place.right) - Math.max(box.left, place.left) > 1 &&
            Math.min(box.bottom, place.bottom) - Math.max(box.top, place.top) > 3)
          found.push(name + ": " + text + " lies on " + other);
    });
  }
  return found;
})()`;

/** What a chosen part looks like in every plot and table that knows it. */
const LOOKS = `(() => {
  const looks = (selector) => [...document.querySelectorAll(selector)].map((one) => {
    const style = getComputedStyle(one);
    return [style.visibility, style.opacity, style.stroke, style.fill, style.fillOpacity, style.backgroundColor].join();
  });
  const part = document.querySelector(".chooser input[data-name]").id;
  const of = (plot) => looks(plot + " ." + part + ", " + plot + " ." + part + " > *").join(" ");
  return { path: of("svg.path"), ranking: of("svg.ranking"), spectra: of("svg.curves"), tables: of("table"),
           shown: [...document.querySelectorAll("svg.path .own." + part)].some((one) => getComputedStyle(one).visibility === "visible") };
})()`;

async function figures() {
  const page = await Page.open({ width: 1280, height: 900 });
  const noise = JSON.parse(readFileSync(json, "utf8"));
  const heard = await page.ask(`document.body.dataset.heard`);
  const devices = noise.nodes.find((node) => node.node === heard).devices;
  const first = await page.ask(`document.querySelector("#ranking-output .bar").dataset.part`);
  check(first === devices[0].device, `${first} leads the page's ranking, ${devices[0].device} that of noise`);
  const most = await page.ask(`document.querySelector("[data-most]").dataset.most`);
  check(most === first, `the summary names ${most}, the ranking ${first}`);

  const before = await page.ask(LOOKS);
  await page.click(".chooser input[data-name] + label");
  const after = await page.ask(LOOKS);
  for (const plot of ["path", "ranking", "spectra"]) {
    check(before[plot] !== after[plot], `choosing a part changes nothing in the plots of ${plot}`);
  }
  check(!before.shown && after.shown, "choosing a part does not show it along the path");
  await page.picture("chosen");
  await page.click("#none + label");
  check((await page.ask(LOOKS)).path === before.path, "choosing none does not restore the path");
  await page.click("#ranking-output .bar");
  check((await page.ask(`document.querySelector(".chooser input:checked").dataset.name`)) === first, "pressing a bar does not choose its part");
  const tip = await page.ask(`document.getElementById("tip").textContent`);
  check(tip.startsWith(first) && /V, [0-9.]+ %/.test(tip), `pressing a bar shows ${JSON.stringify(tip)}`);
  page.quiet("desktop");
  await page.close();
}

async function keyboard() {
  const page = await Page.open({ width: 1280, height: 900 });
  const wanted = await page.ask(`document.querySelectorAll("svg.plot, .wide, summary, .chooser").length`);
  const reached = new Set();
  const tips = [];
  for (let step = 0; step < 400; step += 1) {
    await page.press("Tab");
    const at = await page.ask(`(() => { const it = document.activeElement; if (it === document.body) return null;
      const all = [...document.querySelectorAll("svg.plot, .wide, summary, .chooser")];
      const own = it.closest(".chooser") ?? it; const outline = getComputedStyle(it.matches(".chooser input") ? it.nextElementSibling : it);
      return { index: all.indexOf(own), plot: it.matches("svg.plot"), seen: outline.outlineStyle !== "none" || it.matches("summary, .skip"), name: it.getAttribute("aria-label") ?? it.id }; })()`);
    if (!at) break;
    check(at.seen, `nobody sees that ${at.name} has the focus`);
    if (at.index >= 0) reached.add(at.index);
    if (at.plot) {
      await page.press("ArrowRight");
      tips.push(await page.ask(`document.getElementById("tip").hidden ? "" : document.getElementById("tip").textContent`));
    }
  }
  const hidden = await page.ask(`document.querySelectorAll("details:not([open]) .wide").length`);
  check(reached.size === wanted - hidden, `Tab reaches ${reached.size} of ${wanted - hidden} places`);
  check(tips.length > 0 && tips.every((tip) => /\d/.test(tip)), `arrows show ${JSON.stringify(tips)}`);
  await page.ask(`document.getElementById("none").focus()`);
  await page.press("ArrowRight");
  check((await page.ask(`document.querySelector(".chooser input:checked").id`)) === "p0", "an arrow does not choose the first part");
  page.quiet("keyboard");
  await page.close();
}

async function looks() {
  for (const [name, options] of [
    ["desktop", { width: 1280, height: 900 }],
    ["desktop-dark", { width: 1280, height: 900, dark: true }],
    ["phone", { width: 390, height: 844 }],
    ["phone-dark", { width: 390, height: 844, dark: true }],
    ["print", { width: 794, height: 1123, media: "print" }],
  ]) {
    const page = await Page.open(options);
    const found = await page.ask(LAYOUT);
    check(found.length === 0, `${name}: ${found.slice(0, 8).join("; ")}`);
    await page.picture(name, true);
    page.quiet(name);
    await page.close();
  }
}

/** Without scripting every figure is there, and a part can still be chosen. */
async function withoutScripting() {
  const page = await Page.open({ width: 390, height: 844, scripting: false });
  const before = await page.ask(LOOKS);
  check((await page.ask(`document.querySelectorAll("svg.plot title").length`)) > 0, "no exact values without scripting");
  await page.click(".chooser input[data-name] + label");
  const after = await page.ask(LOOKS);
  check(!before.shown && after.shown, "without scripting no part can be chosen");
  page.quiet("without scripting");
  await page.close();
}

try {
  check(statSync(file).size < LARGEST, `the page has ${statSync(file).size} bytes`);
  await figures();
  await keyboard();
  await looks();
  await withoutScripting();
} finally {
  const gone = new Promise((done) => browser.on("exit", done));
  await send("Browser.close").catch(() => browser.kill());
  await gone;
  rmSync(profile, { recursive: true, force: true, maxRetries: 5 });
}
for (const problem of problems) console.error(`${basename(file)}: ${problem}`);
console.log(`${basename(file)}: ${statSync(file).size} bytes, ${checks - problems.length} passed, ${problems.length} failed`);
process.exit(problems.length ? 1 : 0);
