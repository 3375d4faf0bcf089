// The page on a phone: 360 px wide, upright and lying; by touch; and a pocket chart out of a file.
import fs from 'node:fs';
import path from 'node:path';
import { check, equal, get, must, open, seen, sheet, shot, still, work } from './bench.mjs';

const SHEETS = ['water', 'layers', 'place', 'who', 'meet', 'do'];

/** Nothing sticks out, and nothing to press is smaller than a thumb: 44 CSS pixels (WCAG 2.1, 2.5.5). */
async function fits(page, what) {
    const told = await page.evaluate(() => {
        const small = [];
        for (const e of document.querySelectorAll('button, a.button, label.button, select, .switch, .choice span, input[type=number], input[type=text], input[type=password], summary')) {
            const box = e.getBoundingClientRect();
            if (!box.width || e.closest('[hidden]') || e.closest('details:not([open])') && e.tagName !== 'SUMMARY') continue;
            if (box.height < 43.9 || box.width < 43.9) small.push(`${e.tagName} ${e.textContent.slice(0, 20)} ${box.width.toFixed(0)}x${box.height.toFixed(0)}`);
        }
        const out = [...document.querySelectorAll('#sheet *, #tabs *, #stage *, #zoom *')].filter((e) => {
            const box = e.getBoundingClientRect();
            return box.width && !e.closest('.wide') && !e.classList.contains('unseen') && (box.right > innerWidth + 1 || box.left < -1);
        }).map((e) => `${e.tagName} ${e.textContent.slice(0, 20)}`);
        const over = (a, b) => {
            const [p, q] = [a, b].map((s) => document.querySelector(s).getBoundingClientRect());
            return p.width && q.width && p.left < q.right && p.right > q.left && p.top < q.bottom && p.bottom > q.top;
        };
        return { small, out, wide: document.documentElement.scrollWidth - innerWidth, covered: over('#zoom', '#caution') || over('#zoom', '#stage') };
    });
    equal(told.small.join('; '), '', `${what}: too small for a thumb`);
    equal(told.out.join('; '), '', `${what}: sticks out`);
    must(told.wide <= 0, `${what}: ${told.wide} px wider than the screen`);
    must(!told.covered, `${what}: the buttons of the map cover other things`);
}

export async function phone(browser, link) {
    const upright = await open(browser, link, { width: 360, height: 740, ratio: 2, touch: true });
    await check('a phone held upright, 360 px wide: all fits, all is large enough for a thumb', async () => {
        await still(upright);
        await fits(upright, 'map');
        await shot(upright, 'phone-map');
        for (const name of SHEETS) {
            await sheet(upright, name);
            await upright.waitForTimeout(150);
            await fits(upright, name);
            await shot(upright, `phone-${name}`);
        }
        await upright.click('#sheet .close');
    });
    await check('by touch: tap a place, step the stage', async () => {
        await still(upright);
        const box = await upright.locator('#map').boundingBox();
        await upright.touchscreen.tap(box.x + box.width / 2, box.y + box.height / 2);
        await upright.waitForSelector('#sheet .inside.place');
        await upright.waitForFunction(() => document.getElementById('told').textContent.length > 0);
        await shot(upright, 'phone-place-touched');
        const before = (await seen(upright)).sum;
        await upright.tap('#stage-up');
        must((await seen(upright)).sum !== before, 'the stage stepper does nothing');
        await upright.tap('#stage-down');
    });
    await check('in the sun on a phone', async () => {
        await sheet(upright, 'water');
        await upright.locator('input[name=pick-theme][value=sun]').check({ force: true });
        await still(upright);
        await fits(upright, 'sunlight');
        await shot(upright, 'phone-sun');
        await upright.click('#sheet .close');
        await still(upright);
        await shot(upright, 'phone-sun-map');
    });
    await check('a phone keeps a locked backup of itself, and takes it back', async () => {
        await sheet(upright, 'do');
        await upright.fill('#backup-words', 'cold hands at dawn');
        const [saved] = await Promise.all([upright.waitForEvent('download'), upright.tap('#backup-get')]);
        const file = path.join(work, 'phone.backup');
        await saved.saveAs(file);
        must(saved.suggestedFilename().endsWith('.backup'), saved.suggestedFilename());
        must(fs.readFileSync(file, 'latin1').startsWith('age-encryption.org/v1'), 'the backup is not locked');
        upright.expected.push('422');
        await upright.fill('#backup-words', 'warm hands');
        await upright.setInputFiles('#backup-file', file);
        await upright.waitForFunction(() => /passphrase/.test(document.getElementById('say').textContent));
        await upright.fill('#backup-words', 'cold hands at dawn');
        await upright.setInputFiles('#backup-file', []);
        await upright.setInputFiles('#backup-file', file);
        await upright.waitForSelector('#backup-told');
        const told = await upright.textContent('#backup-told');
        must(/Entries new\s*0/.test(told), told);
        await upright.locator('#backup-told').scrollIntoViewIfNeeded();
        await shot(upright, 'phone-backup');
        await fits(upright, 'do with a backup');
        await upright.click('#sheet .close');
        return `${fs.statSync(file).size} bytes`;
    });
    await upright.context().close();
    const lying = await open(browser, link, { width: 740, height: 360, ratio: 2, touch: true });
    await check('a phone lying on its side', async () => {
        await still(lying);
        await fits(lying, 'map');
        for (const name of ['water', 'do']) {
            await sheet(lying, name);
            await fits(lying, name);
        }
        await shot(lying, 'phone-lying');
        const map = await lying.locator('#map').boundingBox();
        must(map.width > 300 && map.height > 150, `the map has ${map.width} x ${map.height}`);
    });
    await lying.context().close();
}

export async function pocket(browser, page) {
    const file = path.join(work, 'pocket chart.html');
    await check('a pocket chart is saved from the page', async () => {
        await sheet(page, 'do');
        const [saved] = await Promise.all([page.waitForEvent('download'), page.click('#pocket-get')]);
        await saved.saveAs(file);
        const size = fs.statSync(file).size;
        must(size > 100000 && size < 8e6, `${size} bytes`);
        return `${(size / 1e6).toFixed(2)} MB`;
    });
    if (!fs.existsSync(file)) return;
    const address = `file://${file.split('/').map(encodeURIComponent).join('/')}`;
    await check('the pocket chart opens from a file: map, stage, touch, profile, no server', async () => {
        const alone = await open(browser, address, { width: 360, height: 740, ratio: 2, touch: true });
        const asked = [];
        alone.on('request', (r) => !/^(data|blob):/.test(r.url()) && asked.push(r.url()));
        await still(alone);
        const before = await seen(alone);
        must(before.share > 0.02, 'no water is drawn');
        await alone.tap('#stage-up');
        must((await seen(alone)).sum !== before.sum, 'the stage stepper does nothing');
        await alone.tap('#stage-down');
        // The same depth as the program tells, to the fineness of its tiles.
        const where = await alone.evaluate(() => {
            const w = window.leadline;
            for (const [key, tile] of w.water.tiles) {
                if (tile.state !== 'here') continue;
                const k = tile.data.safe.findIndex((v, i) => v > 0 && i > 129 * 40 && tile.data.flags[i] & 8);
                if (k < 0) continue;
                const [, z, x, y] = key.split('/').map(Number);
                const lon = ((x + (k % 129) / 128) / 2 ** z) * 360 - 180;
                const lat = (Math.atan(Math.sinh(Math.PI * (1 - (2 * (y + Math.floor(k / 129) / 128)) / 2 ** z))) * 180) / Math.PI;
                return [lon, lat];
            }
            return null;
        });
        must(where, 'no measured node in the pocket chart');
        const held = await alone.evaluate(([lon, lat]) => window.leadline.source.touch(lon, lat), where);
        const told = await get(page, `api/touch?lon=${where[0]}&lat=${where[1]}&show=all`);
        must(Math.abs(held.safe_m - told.safe_m) < 0.35 + told.tvu95_m, `safe depth ${held.safe_m} in the file, ${told.safe_m} by the program`);
        const box = await alone.locator('#map').boundingBox();
        await alone.touchscreen.tap(box.x + box.width / 2, box.y + box.height / 2);
        await alone.waitForSelector('#sheet .inside.place');
        await alone.waitForFunction(() => document.getElementById('told').textContent.length > 0);
        await shot(alone, 'phone-pocket');
        equal(await alone.locator('#leave-out-cell, #add-mark, #draw-area').count(), 0, 'acts in a pocket chart');
        equal(asked.join(), '', 'requests of a pocket chart');
        await alone.context().close();
    });
    await check('the pocket chart with scripts off says so and shows the still picture', async () => {
        const plain = await open(browser, address, { width: 360, height: 740, scripts: false });
        must((await plain.locator('noscript').innerText()).match(/[Ss]cripts are (switched )?off/), 'it does not say so');
        await shot(plain, 'phone-pocket-no-scripts');
        must((await plain.locator('noscript svg, noscript img').count()) > 0, 'no still picture');
        await plain.context().close();
    });
}
