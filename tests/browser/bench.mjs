// What every check uses: the program, the browser, a page with its ears open, and counting.
import { spawn, spawnSync } from 'node:child_process';
import fs from 'node:fs';
import { createRequire } from 'node:module';
import os from 'node:os';
import path from 'node:path';

const home = process.env.LEADLINE_BROWSER;
const { chromium } = createRequire(path.join(home, 'node_modules/'))('playwright-core');

const FLAGS = ['--no-sandbox', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
const only = process.env.LEADLINE_ONLY || '';
let bad = 0;

export const work = fs.mkdtempSync(path.join(os.tmpdir(), 'leadline-browser-'));
export const pictures = path.join(home, 'pictures');

/** One check: prints how it went, and goes on. */
export async function check(name, act) {
    if (only && !name.includes(only)) return;
    const began = Date.now();
    try {
        const said = await act();
        console.log(`ok ${name}`);
        console.log(`   ${((Date.now() - began) / 1000).toFixed(1)} s${said ? `, ${said}` : ''}`);
    } catch (error) {
        if (error instanceof Skipped) {
            console.log(`skip ${name}: ${error.message}`);
            return;
        }
        bad++;
        console.log(`not ok ${name}: ${String(error.message || error).split('\n').slice(0, 6).join(' | ')}`);
        console.log(`   ${String(error.stack).split('\n').filter((l) => l.includes('tests/browser')).slice(0, 3).join(' ')}`);
    }
}

class Skipped extends Error {}
/** Ends a check that cannot be made here. */
export function skip(why) {
    throw new Skipped(why);
}

export const failures = () => bad;

export function must(holds, what) {
    if (!holds) throw new Error(what);
}

export function equal(is, wanted, what) {
    if (is !== wanted) throw new Error(`${what}: ${JSON.stringify(is)}, not ${JSON.stringify(wanted)}`);
}

/** Runs the program to its end; answers its standard output. */
export function leadline(...args) {
    const ran = spawnSync(process.env.LEADLINE_PROGRAM, args, { cwd: work, encoding: 'utf8', timeout: 120000 });
    if (ran.status !== 0) throw new Error(`leadline ${args.join(' ')}: ${ran.status} ${ran.stderr}`);
    return ran.stdout;
}

const served = [];

/** `leadline view` on a home; answers its link once it is there. */
export function serve(folder, ...args) {
    const child = spawn(process.env.LEADLINE_PROGRAM, ['--home', folder, 'view', ...args], { cwd: work, stdio: ['ignore', 'pipe', 'pipe'] });
    served.push(child);
    let heard = '';
    return new Promise((done, fail) => {
        const late = setTimeout(() => fail(new Error(`no link after 60 s: ${heard}`)), 60000);
        const hear = (text) => {
            heard += text;
            const link = heard.match(/http:\/\/[^\s"'<>]+/);
            if (!link) return;
            clearTimeout(late);
            done({ link: link[0].replace(/\/?$/, link[0].includes('?') ? '' : '/'), child, heard: () => heard });
        };
        child.stdout.on('data', hear);
        child.stderr.on('data', hear);
        child.on('exit', (code) => fail(new Error(`view ended with ${code}: ${heard}`)));
    });
}

export function stop() {
    for (const child of served) child.kill();
    fs.rmSync(work, { recursive: true, force: true });
}

export const launch = (...more) => chromium.launch({ executablePath: process.env.LEADLINE_CHROMIUM, args: [...FLAGS, ...more] });

export const console_errors = [];
export const elsewhere = [];

/** A page of its own, listened to: errors on its console and requests that leave its origin are remembered. */
export async function open(browser, link, size = {}) {
    const context = await browser.newContext({
        viewport: { width: size.width || 1280, height: size.height || 800 }, deviceScaleFactor: size.ratio || 1,
        hasTouch: Boolean(size.touch), isMobile: Boolean(size.touch), acceptDownloads: true, javaScriptEnabled: size.scripts !== false,
    });
    const page = await context.newPage();
    page.setDefaultTimeout(15000);
    const origin = link.startsWith('file:') ? 'file://' : new URL(link).origin;
    page.expected = [];
    page.on('console', (m) => {
        if (m.type() === 'error' && !page.expected.some((e) => m.text().includes(e))) console_errors.push(`${m.text()} at ${m.location().url}`);
    });
    page.on('pageerror', (e) => console_errors.push(String(e.stack || e).split('\n').slice(0, 3).join(' ')));
    page.on('request', (r) => {
        const to = r.url();
        if (!to.startsWith(origin) && !/^(data|blob):/.test(to)) elsewhere.push(to);
    });
    await page.goto(link);
    return page;
}

/** Waits until the map stands still: every tile that is asked for is there. */
export async function still(page) {
    await page.waitForFunction(() => document.body.dataset.ready === 'yes' && window.leadline.water.busy() === 0, null, { timeout: 60000 });
    // Two frames: one that asks for what came into view, one that draws it.
    await page.evaluate(() => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go))));
    await page.waitForFunction(() => window.leadline.water.busy() === 0);
    await page.evaluate(() => window.leadline.chartMap.drawNow());
}

export const shot = (page, name) => page.screenshot({ path: path.join(pictures, `${name}.png`) });

/** The water's canvas as a number that changes with any pixel, and how many pixels are tinted. */
export const seen = (page) =>
    page.evaluate(() => {
        const canvas = document.querySelector('canvas.water');
        const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
        const words = new Uint32Array(data.buffer);
        let sum = 0, inked = 0;
        for (const w of words) {
            sum = (Math.imul(sum, 31) + w) >>> 0;
            if (w) inked++;
        }
        return { sum, share: inked / words.length };
    });

export const sheet = async (page, name) => {
    const tab = page.locator(`#tab-${name}`);
    if ((await tab.getAttribute('aria-selected')) !== 'true') await tab.click();
    await page.waitForSelector(`#sheet .inside.${name}`);
};

/** Answers the open dialogue. */
export async function answer(page, fields = {}) {
    await page.waitForSelector('dialog[open]');
    for (const [label, value] of Object.entries(fields)) {
        const field = page.locator('dialog').getByLabel(label, { exact: true });
        if (value === true) await field.check();
        else if (await field.evaluate((e) => e.tagName === 'SELECT')) await field.selectOption(value);
        else await field.fill(value);
    }
    await page.click('dialog button.strong');
}

/** Pixel of a place on the window. */
export const pixelOf = (page, lon, lat) =>
    page.evaluate(([x, y]) => {
        const p = window.leadline.map.getPixelFromCoordinate(window.ol.fromLonLat([x, y]));
        const box = document.getElementById('map').getBoundingClientRect();
        return [p[0] + box.left, p[1] + box.top];
    }, [lon, lat]);

export async function tap(page, lon, lat) {
    const [x, y] = await pixelOf(page, lon, lat);
    await page.mouse.click(x, y);
    await page.waitForSelector('#sheet .inside.place');
    await page.waitForFunction((asking) => !document.querySelector('#sheet').textContent.includes(asking), 'Asking');
}

/** Waits until the program has worked out other data than `version`, and the page shows them. */
export const changed = (page, version) => page.waitForFunction((v) => window.leadline.chart.version !== v, version, { timeout: 30000 });

export const version = (page) => page.evaluate(() => window.leadline.chart.version);

export const get = (page, address) => page.evaluate(async (a) => (await fetch(a)).json(), address);
