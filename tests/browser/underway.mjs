// On the water: a recording runs on the same home, fed by a replay of the demo's logs, and the page shows it.
import { spawn } from 'node:child_process';
import path from 'node:path';
import { check, equal, leadline, must, open, serve, shot, still, work } from './bench.mjs';

const log = (name) => path.join(work, 'demo', 'logs', name);

/** `leadline record` on a home. */
function record(home, ...args) {
    const child = spawn(process.env.LEADLINE_PROGRAM, ['--home', home, 'record', '--boat', 'Heron', '--json', ...args], { cwd: work, stdio: ['pipe', 'ignore', 'inherit'] });
    child.ended = new Promise((done) => child.on('exit', done));
    return child;
}

const state = (page) => page.evaluate(() => window.leadline.underway.state().now);
const until = (page, what, is, arg) => page.waitForFunction(is, arg, { timeout: 60000 }).catch(() => must(false, `${what} did not come`));

/** Figures large enough to be read from two metres, targets for cold hands, nothing that sticks out or hides another. */
async function sizes(page, what) {
    const told = await page.evaluate(() => {
        const box = (e) => e.getBoundingClientRect();
        const px = (q) => parseFloat(getComputedStyle(document.querySelector(q)).fontSize);
        const parts = ['uw-ahead', 'uw-depth', 'uw-line', 'uw-life', 'uw-do', 'chart'].map((id) => document.getElementById(id));
        const over = [];
        for (const a of parts) {
            for (const b of parts) {
                const [p, q] = [box(a), box(b)];
                if (a !== b && p.left < q.right - 1 && q.left < p.right - 1 && p.top < q.bottom - 1 && q.top < p.bottom - 1) over.push(`${a.id} on ${b.id}`);
            }
        }
        const out = [...document.querySelectorAll('#underway *')].filter((e) => {
            const b = box(e);
            return b.width && !e.classList.contains('unseen') && (b.right > innerWidth + 1 || b.left < -1 || b.bottom > innerHeight + 1);
        }).map((e) => `${e.id || e.tagName} ${e.textContent.slice(0, 24)}`);
        const cut = parts.slice(0, 5).filter((p) => p.scrollHeight > p.clientHeight + 2 || p.scrollWidth > p.clientWidth + 2).map((p) => `${p.id} ${p.clientWidth}x${p.clientHeight} holds ${p.scrollWidth}x${p.scrollHeight}`);
        const small = [...document.querySelectorAll('#uw-do button')].filter((b) => box(b).height < 60 || box(b).width < 60).map((b) => `${b.id} ${Math.round(box(b).width)}x${Math.round(box(b).height)}`);
        const map = box(document.getElementById('map'));
        return { digits: px('#uw-depth b'), over, out, cut, small, map: [map.width, map.height], caution: box(document.getElementById('caution')).height, others: [...document.querySelectorAll('#tabs, #sheet, #stage, #zoom')].filter((e) => box(e).height > 0).length };
    });
    // A figure of 100 px is 17 to 26 mm high on a phone or a laptop; ISO 9241-303 asks for 16 to 22 minutes of arc, at
    // two metres 9 to 13 mm.
    must(told.digits >= 100, `${what}: the depth is ${told.digits} px`);
    equal(told.over.join('; '), '', `${what}: on each other`);
    equal(told.out.join('; '), '', `${what}: sticks out`);
    equal(told.cut.join('; '), '', `${what}: cut off`);
    equal(told.small.join('; '), '', `${what}: under 60 px`);
    equal(told.others, 0, `${what}: other parts of the page are in the way`);
    must(told.map[0] >= 300 && told.map[1] >= 90, `${what}: the map has ${told.map}`);
    must(told.caution > 0, `${what}: no caution`);
}

async function light(page, theme) {
    for (let i = 0; i < 3; i++) {
        if ((await page.evaluate(() => document.documentElement.dataset.theme)) === theme) return;
        await page.click('#uw-light');
    }
}

export async function underway(browser) {
    const home = path.join(work, 'at sea');
    leadline('--home', home, 'survey', 'new', 'Thornmere', '--datum', 'zero of the gauge at the ramp');
    leadline('--home', home, 'boat', 'set', 'Heron', '--draft', '0.30', '--sound-speed', '1450');
    leadline('--home', home, 'import', log('heron-2025-04-12.nmea'), '--boat', 'Heron');
    leadline('--home', home, 'import', log('heron-2025-10-04.nmea'), '--boat', 'Heron');
    const { link } = await serve(home);
    const phone = await open(browser, link, { width: 360, height: 740, ratio: 2, touch: true });
    await still(phone);
    await check('no recording: nothing offers to show one', async () => {
        await phone.waitForFunction(() => window.leadline.underway.state().now !== null);
        equal(await phone.locator('#go-underway').isVisible(), false, 'the way to it');
    });
    let child = record(home, '--from', `replay:${log('heron-2025-07-19.nmea')}@8`);
    await check('a recording on this device is offered, and shown by one touch', async () => {
        await phone.waitForSelector('#go-underway:not([hidden])', { timeout: 30000 });
        const height = (await phone.locator('#go-underway').boundingBox()).height;
        must(height >= 60, `${height} px`);
        await phone.tap('#go-underway');
        await until(phone, 'a course', () => window.leadline.underway.state().now?.boat?.course_deg != null);
        await phone.waitForFunction(() => /\d/.test(document.querySelector('#uw-depth b')?.textContent));
        const now = await state(phone);
        equal(now.boat.name, 'Heron', 'boat');
        // At eight times the pace the next answer may be here before it is shown: two metres are a second of it.
        const [shown, told] = await phone.evaluate(() => [parseFloat(document.querySelector('#uw-depth b').textContent), window.leadline.underway.state().now.boat.depth_m]);
        must(Math.abs(told - shown) < 2, `${shown} shown, ${told} told`);
        await sizes(phone, 'phone');
    });
    await check('the map grows under the boat, with its trail', async () => {
        const first = await phone.evaluate(() => window.leadline.water.grownAt({ z: 0, x: 0, y: 0 }) || 0);
        await until(phone, 'growth', (n) => (window.leadline.water.grownAt({ z: 0, x: 0, y: 0 }) || 0) > n + 1, first);
        await until(phone, 'a trail', () => window.leadline.overlays.count('trail') > 0);
        await phone.waitForFunction(() => window.leadline.water.busy() === 0);
        const { grown } = await state(phone);
        await shot(phone, 'underway-phone');
        if (process.env.LEADLINE_GUIDE) {
            const small = await open(browser, link, { width: 360, height: 740, touch: true });
            await still(small);
            await small.tap('#go-underway');
            await until(small, 'a run', () => window.leadline.underway.state().now?.next?.run && window.leadline.overlays.count('trail') > 0);
            await small.waitForFunction(() => window.leadline.water.busy() === 0);
            await small.screenshot({ path: path.join(process.env.LEADLINE_GUIDE, 'page-underway.png') });
            await small.context().close();
        }
        return `${grown.soundings} soundings laid over the map in ${grown.took_ms} ms`;
    });
    await check('every light: day, sunlight, night', async () => {
        for (const theme of ['sun', 'night', 'day']) {
            await light(phone, theme);
            await phone.waitForTimeout(1200);
            await sizes(phone, theme);
            await shot(phone, `underway-${theme}`);
        }
    });
    await check('touch water: a strong warning, and never the word clear', async () => {
        // A boat of 25 m draft touches everywhere.
        await phone.evaluate(() => window.leadline.set({ draft: 25 }));
        await phone.waitForSelector('#uw-ahead.touch');
        const word = await phone.locator('#uw-ahead b').evaluate((e) => [e.textContent, parseFloat(getComputedStyle(e).fontSize)]);
        must(word[0] === 'TOUCH' && word[1] >= 72, JSON.stringify(word));
        const colours = () => phone.locator('#uw-ahead').evaluate((e) => [getComputedStyle(e).color, getComputedStyle(e).backgroundColor].map((c) => c.match(/[\d.]+/g).slice(0, 3).map(Number)));
        await phone.waitForFunction(() => document.getElementById('uw-alert').textContent.includes('TOUCH'));
        await sizes(phone, 'alarm');
        for (const theme of ['sun', 'night', 'day']) {
            await light(phone, theme);
            const [ink, ground] = await colours();
            const contrast = await phone.evaluate(([a, b]) => window.leadline.palette.contrast(a, b), [ink, ground]);
            must(contrast >= 7, `${theme}: the warning has a contrast of ${contrast.toFixed(1)} (WCAG 2.1, 1.4.6 asks for 7)`);
            await shot(phone, `underway-touch-${theme}`);
        }
        await phone.evaluate(() => window.leadline.set({ draft: 0.5 }));
        const all = await phone.evaluate(() => JSON.stringify(window.leadline.words.underway, (k, v) => (typeof v === 'function' ? String(v) : v)));
        must(!/\bclear\b|\bsafe\b/i.test(all), 'a word that promises too much');
    });
    await check('a finger moves the map away, one touch finds the boat again', async () => {
        const box = await phone.locator('#map').boundingBox();
        await phone.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
        await phone.mouse.down();
        await phone.mouse.move(box.x + box.width / 2 + 80, box.y + box.height / 2 + 30, { steps: 4 });
        await phone.mouse.up();
        equal(await phone.locator('#uw-follow').getAttribute('aria-pressed'), 'false', 'following');
        await phone.tap('#uw-follow');
        equal(await phone.locator('#uw-follow').getAttribute('aria-pressed'), 'true', 'following');
    });
    await check('a laptop and a phone on its side', async () => {
        for (const [name, size] of [['wide', { width: 1280, height: 800 }], ['lying', { width: 740, height: 360, ratio: 2, touch: true }]]) {
            const other = await open(browser, link, size);
            await still(other);
            await other.click('#go-underway');
            await until(other, 'a depth', () => /\d/.test(document.querySelector('#uw-depth b')?.textContent));
            await other.waitForTimeout(2500);
            await other.waitForFunction(() => window.leadline.water.busy() === 0);
            await sizes(other, name);
            await shot(other, `underway-${name}`);
            await other.context().close();
        }
    });
    await check('a recording that dies is seen at once, and nothing old is shown as new', async () => {
        child.kill('SIGKILL');
        await child.ended;
        await phone.waitForSelector('#uw-ahead.blind', { timeout: 15000 });
        equal(await phone.locator('#uw-depth b').innerText(), '\u2013', 'depth');
        must((await phone.locator('#uw-life').innerText()).includes('STOPPED'), 'no word of it');
        await sizes(phone, 'stopped');
        await shot(phone, 'underway-stopped');
    });
    await check('leaving brings the whole page back', async () => {
        await phone.tap('#uw-leave');
        equal(await phone.locator('#tabs').isVisible(), true, 'tabs');
        equal(await phone.locator('#underway').isVisible(), false, 'on the water');
        equal(await phone.evaluate(() => window.leadline.overlays.count('boat')), 0, 'the boat');
    });
    await phone.context().close();
}
