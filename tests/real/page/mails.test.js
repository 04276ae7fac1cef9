// Each kind of mail as a real browser shows it, on a phone and on a desk, light and dark: valid, nothing overflows, nothing
// is loaded from outside, its picture is there. Needs: chromium, node 20, `npm install` here, and WARMSIDE_MAILS, a folder in
// which `cargo test --lib notice::tests` has left the mails. WARMSIDE_SHOTS=folder keeps what was seen.
import assert from "node:assert/strict";
import fs from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { after, before, test } from "node:test";
import { pathToFileURL } from "node:url";
import { HtmlValidate } from "html-validate";
import { chromium } from "playwright-core";

const folder = process.env.WARMSIDE_MAILS;
const axe = fs.readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
// Old readers of mail need attributes and inline styles that a page would not use; all else holds.
const validator = new HtmlValidate({
  extends: ["html-validate:standard"],
  rules: { "no-deprecated-attr": "off", "no-inline-style": "off", "long-title": "off", "doctype-style": "off" },
});
let browser, mails;

before(async () => {
  assert.ok(folder, "set WARMSIDE_MAILS");
  mails = fs.readdirSync(folder).filter((name) => name.endsWith(".html"));
  assert.ok(mails.length >= 10, `only ${mails.length} mails in ${folder}`);
  browser = await chromium.launch({ executablePath: process.env.CHROMIUM || "/usr/bin/chromium", args: ["--no-sandbox"] });
});
after(async () => browser?.close());

test("each mail is valid HTML", async () => {
  for (const mail of mails) {
    const report = await validator.validateString(fs.readFileSync(path.join(folder, mail), "utf8"));
    const said = report.results.flatMap((r) => r.messages).map((m) => `${m.ruleId} ${m.line}:${m.column} ${m.message}`);
    assert.deepEqual(said, [], mail);
  }
});

for (const [device, viewport] of [["desk", { width: 1280, height: 900 }], ["phone", { width: 390, height: 844 }]]) {
  for (const colorScheme of ["light", "dark"]) {
    test(`each mail on a ${device}, ${colorScheme}`, async () => {
      const context = await browser.newContext({ viewport, colorScheme, deviceScaleFactor: 2 });
      const page = await context.newPage();
      const left = [];
      page.on("request", (r) => r.url().startsWith("file:") || left.push(r.url()));
      for (const mail of mails) {
        await page.goto(pathToFileURL(path.resolve(folder, mail)).href);
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
        assert.ok(wide <= 0, `${mail} is ${wide} px too wide`);
        const blind = await page.evaluate(() => [...document.images].filter((i) => !i.naturalWidth || i.alt.length < 30).length);
        assert.equal(blind, 0, `${mail}: a picture is missing or has no words`);
        const found = await page.evaluate(async (source) => {
          (0, eval)(source);
          const result = await window.axe.run(document, { resultTypes: ["violations"] });
          return result.violations.filter((v) => ["serious", "critical"].includes(v.impact)).map((v) => `${v.id}: ${v.nodes[0].html}`);
        }, axe);
        assert.deepEqual(found, [], `${mail} on a ${device}, ${colorScheme}`);
        if (process.env.WARMSIDE_SHOTS) {
          await page.screenshot({ path: path.join(process.env.WARMSIDE_SHOTS, `${mail}.${device}.${colorScheme}.png`), fullPage: true });
        }
      }
      assert.deepEqual(left, []);
      await context.close();
    });
  }
}
