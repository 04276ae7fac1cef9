// The page in a real browser: sees a fault appear, answers it, shelves, logs in and out, goes without script, on a phone
// and on a desk. Needs: chromium, node 20, `npm install` here. Run by .ci/run with WARMSIDE_HOUSE, a folder in which
// `cargo test --test page -- --ignored for_a_browser` writes the addresses of its houses and waits for orders as files.
// WARMSIDE_SHOTS=folder keeps what was seen of each page.
import assert from "node:assert/strict";
import fs from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { after, before, test } from "node:test";
import { chromium } from "playwright-core";

const folder = process.env.WARMSIDE_HOUSE;
const axe = fs.readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const DESK = { width: 1280, height: 900 };
const PHONE = { width: 390, height: 844 };
const TABLET = { width: 1024, height: 768 };
let browser, open, locked;

const order = (what) => fs.writeFileSync(path.join(folder, what), "");
const address = async (name) => {
  for (let i = 0; i < 300; i++) {
    const file = path.join(folder, name);
    if (fs.existsSync(file)) return fs.readFileSync(file, "utf8").trim();
    await new Promise((done) => setTimeout(done, 100));
  }
  throw new Error(`no ${name} in ${folder}`);
};

before(async () => {
  assert.ok(folder, "set WARMSIDE_HOUSE");
  open = await address("open.url");
  locked = await address("locked.url");
  browser = await chromium.launch({ executablePath: process.env.CHROMIUM || "/usr/bin/chromium", args: ["--no-sandbox"] });
});
after(async () => {
  order("stop");
  await browser?.close();
});

// A page that fails the test on any console error and on any request that leaves its origin.
async function visit(origin, options = {}, allowed = []) {
  // The content policy would keep the accessibility check out: it is ours to put in, so the policy is passed by.
  const context = await browser.newContext({ viewport: DESK, ...options });
  const page = await context.newPage();
  const faults = [];
  page.on("console", (m) => m.type() === "error" && !allowed.some((a) => m.text().includes(a)) && faults.push(m.text()));
  page.on("pageerror", (e) => faults.push(String(e)));
  page.on("request", (r) => new URL(r.url()).origin === origin || faults.push(`left the origin: ${r.url()}`));
  return { page, context, faults, close: async () => { await context.close(); assert.deepEqual(faults, []); } };
}

// Looks again until a button is there: the house of this test acts a moment after it answers.
async function comes(page, at, button) {
  for (let i = 0; i < 100; i++) {
    await page.goto(at);
    if (await page.getByRole("button", { name: button, exact: true }).count()) return;
    await page.waitForTimeout(100);
  }
  assert.fail(`no button ${button} at ${at}`);
}

async function nothingOverlaps(page, where) {
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
  assert.ok(wide <= 0, `${where}: ${wide} px too wide`);
  // Names and states that a tile cuts short, words of one drawing or row that lie on each other, and targets that a thumb misses.
  const faults = await page.evaluate(() => {
    const seen = (e) => e.checkVisibility() && e.getClientRects().length && !e.closest(".hid,.veil,.skip,.syms");
    const said = [];
    for (const name of document.querySelectorAll(".t .nm,.t .st,.rk .rn,.t3 .id")) {
      if (seen(name) && name.scrollWidth > name.clientWidth + 1 && getComputedStyle(name).display !== "inline") said.push(`cut: ${name.textContent}`);
    }
    for (const group of document.querySelectorAll("svg,.nd,.says li,.t a,.top,.ask>div,.act,.tie,.forms form,tr")) {
      const words = group.matches("svg") ? [...group.querySelectorAll("text")]
        : [...group.querySelectorAll("*")].filter((e) => !e.closest("svg") && [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()));
      const boxes = words.filter((e) => seen(e) && e.textContent.trim()).flatMap((e) => {
        if (group.matches("svg")) return [[e, e.getBoundingClientRect()]];
        const range = document.createRange();
        return [...e.childNodes].filter((n) => n.nodeType === 3 && n.data.trim()).flatMap((n) => {
          range.selectNodeContents(n);
          return [...range.getClientRects()].map((r) => [e, r]);
        });
      });
      for (const [i, [a, r]] of boxes.entries()) for (const [b, q] of boxes.slice(i + 1)) {
        const across = Math.min(r.right, q.right) - Math.max(r.left, q.left);
        const down = Math.min(r.bottom, q.bottom) - Math.max(r.top, q.top);
        // A line's box is taller than its letters: a third of it may be shared.
        if (across > 1 && down > Math.min(r.height, q.height) / 3) said.push(`on each other: ${a.textContent.trim()} | ${b.textContent.trim()}`);
      }
    }
    // WCAG 2.2, 2.5.8: what is pressed is at least 24 px wide and high.
    for (const target of document.querySelectorAll("a,button,input:not([type=hidden]),select,summary,textarea")) {
      const box = target.getBoundingClientRect();
      if (seen(target) && (box.width < 24 || box.height < 24)) said.push(`small, ${box.width} by ${box.height}: ${target.outerHTML.slice(0, 90)}`);
    }
    return said;
  });
  assert.deepEqual(faults, [], where);
}

async function shot(page, name) {
  if (!process.env.WARMSIDE_SHOTS) return;
  await page.screenshot({ path: path.join(process.env.WARMSIDE_SHOTS, `${name.replace(/[^a-z0-9]+/gi, "-")}.png`), fullPage: true });
}

async function accessible(page, where) {
  const found = await page.evaluate(async (source) => {
    // Evaluated by the debugger, which no content policy binds.
    (0, eval)(source);
    const result = await window.axe.run(document, { resultTypes: ["violations"] });
    return result.violations.filter((v) => ["serious", "critical"].includes(v.impact)).map((v) => `${v.id}: ${v.nodes[0].html}`);
  }, axe);
  assert.deepEqual(found, [], where);
}

test("a fault appears by itself, is answered, and the wall says who has it", async () => {
  const { page, close } = await visit(open);
  await page.goto(open);
  await page.getByRole("heading", { name: "Yes, all 24." }).waitFor();
  order("trouble");
  await page.getByRole("heading", { name: "No. 3 of 24 need you." }).waitFor({ timeout: 15_000 });
  assert.match(await page.title(), /^3 of 24 need you: a3 Juno first/);
  await page.locator("#needs").getByRole("link", { name: /Answer.*a3 Juno/ }).click();
  await page.getByLabel("I am").first().selectOption("ines");
  await page.getByRole("button", { name: "I have it" }).click();
  await page.getByRole("status").waitFor();
  assert.match(await page.getByRole("status").innerText(), /ines/i);
  await page.getByText("Ines has it").first().waitFor({ timeout: 15_000 });
  await page.goto(open);
  await page.locator("#needs").getByText("Ines has it").first().waitFor();
  await close();
});

test("shelving and hands-in end by themselves and can be taken back", async () => {
  const { page, close } = await visit(open);
  await page.goto(`${open}/e/a1`);
  const shelve = page.locator("form", { hasText: "Shelve until" });
  await shelve.getByLabel("I am").selectOption("tom");
  await shelve.getByRole("button", { name: "Shelve" }).click();
  await page.getByRole("status").waitFor();
  await comes(page, `${open}/e/a1`, "Take off the shelf");
  await page.locator("form", { hasText: "Take off the shelf" }).getByLabel("I am").selectOption("tom");
  await page.getByRole("button", { name: "Take off the shelf" }).click();
  await page.getByRole("status").waitFor();
  await comes(page, `${open}/e/a1`, "Shelve");
  await close();
});

test("without script everything is there and works", async () => {
  const { page, close } = await visit(open, { javaScriptEnabled: false });
  await page.goto(open);
  assert.equal(await page.locator("noscript meta").count() + (await page.content()).split('http-equiv="refresh"').length - 1 > 0, true);
  await page.goto(`${open}/e/a2`);
  const mark = page.locator("form", { hasText: "Mark in the ledger" });
  await mark.getByLabel("I am").selectOption("ines");
  await mark.getByRole("button", { name: "fed" }).click();
  await page.getByRole("status").waitFor();
  await close();
});

test("the veil falls by itself when nothing is heard", async () => {
  const { page, close } = await visit(open, { javaScriptEnabled: false });
  await page.goto(open);
  const veil = page.locator(".veil");
  assert.equal(await veil.isVisible(), false);
  // The browser's own animation clock is put on: the same rule falls that would in 90 s.
  const client = await page.context().newCDPSession(page);
  await client.send("Animation.enable");
  await client.send("Animation.setPlaybackRate", { playbackRate: 1000 });
  await veil.waitFor({ state: "visible", timeout: 5_000 });
  await close();
});

test("logging in and out", async () => {
  const { page, close } = await visit(locked, {}, ["401"]);
  await page.goto(`${locked}/e/a3`);
  assert.equal(await page.getByText("Juno").count(), 0);
  await page.getByLabel("Password").fill("wrong");
  await page.getByRole("button", { name: "Log in" }).click();
  await page.getByText("That is not the password.").waitFor();
  await page.getByLabel("Password").fill("warm stones");
  await page.getByRole("button", { name: "Log in" }).click();
  await page.getByRole("heading", { name: /a3 Juno/ }).waitFor();
  await page.goto(locked);
  await page.getByRole("button", { name: "Log out" }).click();
  await page.getByLabel("Password").waitFor();
  await page.goto(locked);
  await page.getByLabel("Password").waitFor();
  await close();
});

for (const [device, viewport] of [["desk", DESK], ["tablet", TABLET], ["phone", PHONE]]) {
  for (const colorScheme of ["light", "dark"]) {
    test(`every page on a ${device}, ${colorScheme}: nothing overflows, nothing serious for axe`, async () => {
      const { page, close } = await visit(open, { viewport, colorScheme });
      for (const at of ["/", "/e/a3", "/e/b5", "/e/a1?span=7d", "/i/7Q", "/setup", "/setup/touch", "/ledger", "/mails", "/mails/7Q.1"]) {
        const where = `${at} on a ${device}, ${colorScheme}`;
        await page.goto(open + at);
        await shot(page, where);
        await nothingOverlaps(page, where);
        await accessible(page, where);
      }
      await close();
    });
    test(`houses of none, five and three hundred, and one that is blind, on a ${device}, ${colorScheme}`, async () => {
      for (const [house, ways] of [["empty", ["/", "/setup"]], ["few", ["/"]], ["barn", ["/", "/#rack-g11"]], ["blind", ["/", "/e/a1", "/i/9B", "/ledger"]]]) {
        const origin = await address(`${house}.url`);
        const { page, close } = await visit(origin, { viewport, colorScheme }, house === "blind" ? ["503"] : []);
        for (const at of ways) {
          const where = `${house} ${at} on a ${device}, ${colorScheme}`;
          await page.goto(origin + at);
          await shot(page, where);
          await nothingOverlaps(page, where);
          await accessible(page, where);
        }
        await close();
      }
    });
  }
}

test("tying goes without script: one on each side, then tie", async () => {
  const { page, close } = await visit(open, { viewport: PHONE, javaScriptEnabled: false });
  await page.goto(`${open}/setup`);
  await page.getByRole("radio", { name: /loose\/2/ }).check();
  await page.locator('input[name="place"][value="enclosure b5 warm_side.temperature"]').check();
  await page.locator(".tie").getByLabel("I am").selectOption({ index: 1 });
  await page.getByRole("button", { name: "Tie these two" }).click();
  await page.getByText("Wished.").waitFor();
  await page.getByRole("button", { name: "Undo" }).waitFor();
  await close();
});

test("an enclosure and the wall are one sheet of paper each", async () => {
  const { page, close } = await visit(open);
  for (const at of ["/", "/e/a3", "/e/a1"]) {
    await page.goto(open + at);
    const pdf = (await page.pdf({ format: "A4", preferCSSPageSize: true })).toString("latin1");
    assert.equal(pdf.match(/\/Type\s*\/Page[^s]/g).length, 1, at);
  }
  await close();
});

test("by keyboard alone to the answer", async () => {
  const { page, close } = await visit(open);
  await page.goto(open);
  await page.keyboard.press("Tab");
  assert.match(await page.evaluate(() => document.activeElement.textContent), /Skip/);
  await page.keyboard.press("Enter");
  for (let i = 0; i < 30; i++) {
    await page.keyboard.press("Tab");
    if (await page.evaluate(() => document.activeElement.getAttribute("href") === "/e/c6")) break;
  }
  await page.keyboard.press("Enter");
  await page.waitForURL("**/e/c6");
  await close();
});
