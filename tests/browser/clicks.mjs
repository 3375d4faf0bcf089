// Every feature of the page by click: layers, places, drawing, marks, boats and days, logs, level, plan, copies, meeting.
import fs from 'node:fs';
import path from 'node:path';
import { answer, changed, check, equal, get, leadline, must, pixelOf, seen, sheet, shot, still, tap, version, work } from './bench.mjs';

const LAYERS = ['passes', 'coverage', 'structure', 'marks', 'plan'];

export async function layers(page) {
    await check('each layer can be switched, and is explained', async () => {
        await sheet(page, 'layers');
        for (const name of ['soundings', 'contours', 'touch', 'loose', ...LAYERS, 'fresh']) {
            const meaning = await page.textContent(`#means-${name}`);
            must(meaning.length > 20, `${name} is not explained`);
        }
        const told = [];
        for (const name of ['soundings', 'contours', 'touch', 'loose']) {
            const box = page.locator(`#layer-${name}`);
            await box.check();
            const on = (await seen(page)).sum;
            await box.uncheck();
            must((await seen(page)).sum !== on, `switching ${name} changes nothing`);
            await box.check();
            await still(page);
        }
        for (const name of LAYERS) {
            await page.locator(`#layer-${name}`).check();
            await page.waitForFunction((n) => window.leadline.overlays.told(n) !== undefined, name, { timeout: 30000 });
            told.push(`${name} ${await page.evaluate((n) => window.leadline.overlays.count(n), name)}`);
        }
        for (const name of ['passes', 'coverage', 'structure']) must(!told.includes(`${name} 0`), `${name} shows nothing`);
        await page.waitForTimeout(300);
        await shot(page, 'wide-layers');
        for (const name of LAYERS.filter((n) => n !== 'marks')) await page.locator(`#layer-${name}`).uncheck();
        return told.join(', ');
    });
    await check('tints by grade and by uncertainty, each with its legend', async () => {
        await sheet(page, 'layers');
        const sums = new Set([(await seen(page)).sum]);
        for (const tint of ['grade', 'tvu', 'none', 'depth']) {
            await page.locator(`input[name=pick-tint][value=${tint}]`).check({ force: true });
            await still(page);
            if (tint !== 'depth') sums.add((await seen(page)).sum);
            must((await page.textContent('#tint-legend')).length > 20, `${tint} has no legend`);
            await shot(page, `wide-tint-${tint}`);
        }
        equal(sums.size, 4, 'different pictures');
    });
    await check('units: the same water in feet and fathoms', async () => {
        await sheet(page, 'water');
        const metres = await page.evaluate(() => window.leadline.state.stage);
        for (const [unit, size] of [['ft', 0.3048], ['fm', 1.8288], ['m', 1]]) {
            await page.locator(`input[name=pick-units][value=${unit}]`).check({ force: true });
            const text = await page.textContent('#stage-now b');
            const [, number] = text.replace('\u2212', '-').match(/([+-][\d.]+) /);
            must(Math.abs(Number(number) * size - metres) <= 0.005 * size + 1e-9, `${text} for ${metres} m`);
        }
    });
}

/** A cell with measurements near the middle of the map. */
async function measuredPlace(page) {
    const { center } = await get(page, 'api/chart');
    for (let k = 0; k < 400; k++) {
        const lon = center[0] + 0.00004 * Math.round(6 * Math.cos(k) * Math.sqrt(k)), lat = center[1] + 0.00003 * Math.round(6 * Math.sin(k) * Math.sqrt(k));
        const told = await get(page, `api/touch?lon=${lon}&lat=${lat}&show=all`);
        if (told.basis === 'cell' && told.measured.length) return { lon, lat, told };
    }
    throw new Error('no measured cell near the middle');
}

export async function places(page) {
    let place;
    const ask = () => get(page, `api/touch?lon=${place.lon}&lat=${place.lat}&show=all`);
    const undo = async () => {
        const now = await version(page);
        await page.click('#undo');
        await page.waitForSelector('#undo', { state: 'detached' });
        await changed(page, now);
    };
    await check('a place touched tells depth today, band, grade, who, when, why', async () => {
        place = await measuredPlace(page);
        await tap(page, place.lon, place.lat);
        const stage = await page.evaluate(() => window.leadline.state.stage);
        const today = place.told.depth_m + stage;
        const text = await page.textContent('#place-depth');
        // Cut to the shoal side: never deeper than it is.
        const number = Number(text.match(/[\d.]+/)[0]) * (text.includes('Dries') ? -1 : 1);
        must(number <= today + 1e-6 && number > today - 0.11, `${text} for ${today}`);
        const body = await page.textContent('#sheet');
        for (const wanted of [place.told.measured[0].boat, '95 %', place.told.measured[0].device]) must(body.includes(wanted), `${wanted} is not told`);
        await page.locator('#sheet details summary').first().click();
        must((await page.locator('#sheet details table tbody tr').count()) > 1, 'the depth is not explained');
        await shot(page, 'wide-place');
    });
    await check('a cell is left out with a reason, and taken back', async () => {
        const before = await version(page);
        await page.click('#leave-out-cell');
        await answer(page, { Why: 'a passing boat <b>' });
        await page.waitForSelector('#undo');
        await changed(page, before);
        const after = await ask();
        must(after.basis !== 'cell' || after.depth_m !== place.told.depth_m, 'the cell still counts');
        await undo();
        equal((await ask()).depth_m, place.told.depth_m, 'depth after taking back');
    });
    await check('a stretch of a boat’s time is left out and taken back', async () => {
        await tap(page, place.lon, place.lat);
        const before = await version(page);
        await page.getByRole('button', { name: 'Leave out a stretch of time' }).first().click();
        await answer(page);
        await page.waitForSelector('dialog[open] input');
        await answer(page, { Why: 'transducer fouled' });
        await page.waitForSelector('#undo');
        await changed(page, before);
        const left = (await ask()).measured.filter((m) => m.used).length;
        must(left < place.told.measured.filter((m) => m.used).length, 'the stretch still counts');
        await undo();
        equal((await ask()).depth_m, place.told.depth_m, 'depth after taking back');
    });
    await check('a drawn area is left out; the decisions list it and take it back', async () => {
        const before = await version(page);
        const [x, y] = await pixelOf(page, place.lon, place.lat);
        await sheet(page, 'place');
        await page.click('#draw-area');
        for (const [dx, dy] of [[-30, -30], [30, -30], [30, 30], [-30, 30]]) {
            await page.mouse.click(x + dx, y + dy);
            await page.waitForTimeout(60);
        }
        await page.click('#pen .strong');
        await answer(page, { Why: 'weed in July' });
        await page.waitForSelector('#undo');
        await changed(page, before);
        must((await ask()).basis !== 'cell', 'the area still counts');
        await sheet(page, 'do');
        await page.click('#decisions-show');
        await page.waitForSelector('#decisions');
        const list = await page.textContent('#decisions');
        must(list.includes('weed in July'), list.slice(0, 200));
        const left = await version(page);
        await page.locator('#decisions li', { hasText: 'weed in July' }).getByRole('button').first().click();
        await changed(page, left);
        equal((await ask()).depth_m, place.told.depth_m, 'depth after taking back');
    });
    await check('a profile along a drawn line, and a distance', async () => {
        const [x, y] = await pixelOf(page, place.lon, place.lat);
        await sheet(page, 'place');
        await page.click('#draw-profile');
        await page.mouse.click(x - 120, y);
        await page.mouse.click(x + 120, y + 20);
        await page.click('#pen .strong');
        await page.waitForSelector('#sheet svg.profile path.best');
        await shot(page, 'wide-profile');
        await page.click('#draw-distance');
        await page.mouse.click(x - 100, y);
        await page.mouse.click(x + 100, y);
        await page.click('#pen .strong');
        const metres = Number((await page.textContent('#distance')).match(/[\d.]+/)[0]);
        const want = await page.evaluate(() => 200 * window.leadline.map.getView().getResolution() * Math.cos((window.leadline.chartMap.centre()[1] * Math.PI) / 180));
        must(Math.abs(metres - want) < 0.02 * want + 1, `${metres} m, by the scale of the map ${want.toFixed(1)} m`);
    });
    await check('a mark is added for oneself, shared, removed', async () => {
        await tap(page, place.lon, place.lat);
        await page.click('#add-mark');
        await answer(page, { Kind: 'stump', Name: 'Old <i>stump</i>', Note: 'breaks water in August' });
        await page.waitForFunction(() => document.querySelector('#say').textContent.includes('kept on this device'));
        await page.waitForFunction(() => window.leadline.overlays.source('marks').getFeatures().some((f) => f.get('name') === 'Old <i>stump</i>'));
        await tap(page, place.lon, place.lat);
        await page.getByRole('button', { name: 'Share', exact: true }).click();
        await page.waitForFunction(() => window.leadline.overlays.source('marks').getFeatures().some((f) => f.get('shared') === true && String(f.get('name')).startsWith('Old')));
        await tap(page, place.lon, place.lat);
        await page.getByRole('button', { name: 'Remove', exact: true }).click();
        await page.waitForFunction(() => !window.leadline.overlays.source('marks').getFeatures().some((f) => String(f.get('name')).startsWith('Old')));
    });
}

export async function who(page) {
    await check('boats and days are switched off and on; two are compared', async () => {
        await page.evaluate(() => window.leadline.chartMap.whole());
        await still(page);
        const all = await seen(page);
        await sheet(page, 'who');
        const boats = await page.locator('#sheet [data-boat]').count();
        must(boats >= 2, `${boats} boats`);
        await page.locator('#sheet [data-boat]').first().uncheck();
        await page.waitForFunction(() => window.leadline.state.show !== 'all');
        await still(page);
        must((await seen(page)).sum !== all.sum, 'the map is the same with a boat less');
        await shot(page, 'wide-who');
        await page.click('#everything');
        await page.waitForFunction(() => window.leadline.state.show === 'all');
        await still(page);
        equal((await seen(page)).sum, all.sum, 'everything again');
        const days = (await get(page, 'api/chart')).days;
        await page.selectOption('#day-from', days[days.length - 1]);
        await page.waitForFunction(() => window.leadline.state.show !== 'all');
        await still(page);
        must((await seen(page)).share < all.share, 'one day covers as much as all');
        await page.click('#everything');
        await page.waitForFunction(() => window.leadline.state.show === 'all');
        await page.click('#compare summary');
        await page.selectOption('#one-to', days[0]);
        await page.selectOption('#two-from', days[days.length - 1]);
        await page.click('#compare-go');
        await page.waitForSelector('#compare-totals');
        return (await page.textContent('#compare-totals')).replace(/\s+/g, ' ').slice(0, 120);
    });
}

/** A sentence with its checksum: all characters between `$` and `*`, one by one (NMEA 0183). */
const sentence = (text) => `$${text}*${[...text].reduce((sum, c) => sum ^ c.charCodeAt(0), 0).toString(16).toUpperCase().padStart(2, '0')}`;

/** A good position and depth, a broken checksum, a line of noise and an empty depth, dropped on the map. */
export async function logs(page) {
    await check('a broken log dropped on the map is told line by line', async () => {
        const text = [sentence('GPRMC,100000,A,4523.889,N,07012.251,E,3.0,90.0,260926,,,A'), sentence('SDDPT,2.5,0.0'), '$SDDPT,9.9,0.0*00', 'not a sentence at all', sentence('SDDPT,,')].join('\r\n');
        await page.evaluate((log) => {
            const data = new DataTransfer();
            data.items.add(new File([log], 'broken <log>.nmea', { type: 'text/plain' }));
            for (const name of ['dragover', 'drop']) document.getElementById('map').dispatchEvent(new DragEvent(name, { bubbles: true, cancelable: true, dataTransfer: data }));
        }, text);
        const before = await version(page);
        await answer(page, { 'Measured by the boat': 'Coot' });
        await page.waitForSelector('#import-results li');
        // Its one good sounding makes other data; they are waited for, so that the next check sees only its own.
        await changed(page, before);
        const told = await page.textContent('#import-results');
        must(/checksum/i.test(told) && told.includes('Line 3') && !told.includes('Line 2') && told.includes('Line 4'), told.slice(0, 300));
        await shot(page, 'wide-import');
        return told.slice(0, 120);
    });
    await check('a good log is read in, and the map grows by it', async () => {
        const before = await get(page, 'api/chart');
        const { center } = before;
        const lines = ['time,lon,lat,depth_m'];
        for (let i = 0; i < 120; i++) lines.push(`2026-09-20T10:${String(Math.floor(i / 60)).padStart(2, '0')}:${String(i % 60).padStart(2, '0')}Z,${(center[0] + i * 2e-5).toFixed(6)},${(center[1] + 1e-5).toFixed(6)},3.${i % 10}`);
        const file = path.join(work, 'coot.csv');
        fs.writeFileSync(file, lines.join('\n'));
        await sheet(page, 'do');
        await page.setInputFiles('#import-file', file);
        await answer(page, { 'Measured by the boat': 'Coot "the <img src=x onerror=alert(1)> blue one"' });
        await changed(page, before.version);
        const after = await get(page, 'api/chart');
        equal(after.boats.length, before.boats.length + 1, 'boats');
        await sheet(page, 'who');
        must((await page.textContent('#sheet')).includes('<img src=x onerror=alert(1)>'), 'the name is not shown as it is');
        equal(await page.locator('#sheet img').count(), 0, 'pictures made of a name');
    });
}

export async function doing(page) {
    await check('levelling: proposal with before and after, applied and undone', async () => {
        await sheet(page, 'do');
        await page.click('#level-ask');
        await page.waitForSelector('#level-told');
        const told = await page.textContent('#level-told');
        must(/before/i.test(told) && /after/i.test(told), told.slice(0, 200));
        // What is in force already is undone first: applying it again changes nothing.
        const held = (await get(page, 'api/level')).in_force;
        for (const act of held ? ['undo', 'apply', 'undo'] : ['apply', 'undo']) {
            const before = await version(page);
            await page.click(`#level-${act}`);
            await changed(page, before);
            equal(Boolean((await get(page, 'api/level')).in_force), act === 'apply', `in force after ${act}`);
            await still(page);
            if (act === 'apply') await shot(page, 'wide-level');
        }
    });
    await check('a plan is shown and saved as GPX', async () => {
        await sheet(page, 'do');
        await page.click('#plan-show');
        await page.waitForFunction(() => window.leadline.overlays.count('plan') > 0, null, { timeout: 60000 });
        await page.waitForTimeout(300);
        await shot(page, 'wide-plan');
        const [saved] = await Promise.all([page.waitForEvent('download'), page.click('#plan-gpx')]);
        const text = fs.readFileSync(await saved.path(), 'utf8');
        must(text.includes('<gpx') && text.includes('<rtept'), text.slice(0, 200));
        return `${text.match(/<rtept/g).length} points`;
    });
    await check('a parcel is saved, and read in again', async () => {
        await sheet(page, 'do');
        const [saved] = await Promise.all([page.waitForEvent('download'), page.click('#parcel-get')]);
        const file = path.join(work, 'all.parcel');
        await saved.saveAs(file);
        must(fs.statSync(file).size > 1000, 'the parcel is empty');
        await page.setInputFiles('#parcel-file', file);
        await page.waitForSelector('#parcel-told');
        return `${fs.statSync(file).size} bytes`;
    });
    await check('a reading of the gauge is recorded and becomes today’s stage', async () => {
        await sheet(page, 'water');
        await page.getByRole('button', { name: 'Record a reading' }).click();
        await answer(page, { 'Level above the datum (m)': '0.47', When: 'now' });
        await page.waitForFunction(() => Math.abs(window.leadline.state.stage - 0.47) < 1e-9 && window.leadline.chart.stage && Math.abs(window.leadline.chart.stage.level_m - 0.47) < 1e-6);
        must(/minute/.test(await page.textContent('#stage-why')), await page.textContent('#stage-why'));
    });
    await check('draft and room: the touch area follows', async () => {
        await sheet(page, 'water');
        const before = (await seen(page)).sum;
        await page.fill('#water-draft', '2.5');
        await page.locator('#water-draft').blur();
        must((await seen(page)).sum !== before, 'the map is the same with 2.5 m of draft');
        await shot(page, 'wide-draft');
        await page.fill('#water-draft', '-1');
        await page.locator('#water-draft').blur();
        equal(await page.evaluate(() => window.leadline.state.draft), 2.5, 'draft after a wrong number');
        await page.fill('#water-draft', '0.5');
        await page.locator('#water-draft').blur();
    });
}

export async function meeting(page) {
    await check('meeting: who is near is told, an invite can be scanned', async () => {
        await sheet(page, 'meet');
        await page.waitForSelector('#meet-start');
        await page.click('#invite');
        await answer(page);
        await page.waitForSelector('img.qr');
        const wide = await page.evaluate(async () => {
            const image = document.querySelector('img.qr');
            await image.decode();
            return image.naturalWidth;
        });
        must(wide > 0, 'the picture of the invite is empty');
        must((await page.inputValue('.invite textarea')).startsWith('leadline:'), 'the invite as text');
        await shot(page, 'wide-meet');
    });
}

/** What another program on the device does is seen without asking. */
export async function follows(page, home) {
    await check('the page follows what is done elsewhere on the device', async () => {
        const before = (await get(page, 'api/chart')).version;
        leadline('--home', home, 'stage', 'add', '--at', '2026-09-20T09:00Z', '--level', '0.31');
        await page.waitForFunction((v) => window.leadline.chart.version !== v, before, { timeout: 20000 });
    });
}

export async function keyboard(page) {
    await check('everything by keyboard: skip link, map, touch at the middle, sheets, drawing', async () => {
        await page.reload();
        await still(page);
        await page.keyboard.press('Tab');
        equal(await page.evaluate(() => document.activeElement.className), 'skip', 'first stop');
        for (let i = 0; i < 8 && (await page.evaluate(() => document.activeElement.id)) !== 'map'; i++) await page.keyboard.press('Tab');
        equal(await page.evaluate(() => document.activeElement.id), 'map', 'the map can be reached');
        const outline = await page.evaluate(() => getComputedStyle(document.activeElement).outlineStyle);
        must(outline !== 'none', 'focus is not seen on the map');
        must(await page.evaluate(() => getComputedStyle(document.getElementById('aim')).display !== 'none'), 'no cross at the middle');
        const before = await page.evaluate(() => window.leadline.chartMap.centre());
        await page.keyboard.press('ArrowRight');
        await page.waitForFunction((x) => window.leadline.chartMap.centre()[0] !== x, before[0]);
        await page.keyboard.press('Enter');
        await page.waitForSelector('#sheet .inside.place');
        await page.waitForFunction(() => document.getElementById('told').textContent.length > 0);
        await page.click('#draw-distance');
        await page.focus('#map');
        await page.keyboard.press('Enter');
        await page.keyboard.press('ArrowUp');
        await page.waitForTimeout(400);
        await page.keyboard.press('Enter');
        await page.focus('#pen .strong');
        await page.keyboard.press('Enter');
        await page.waitForSelector('#distance');
        await page.focus('#tab-place');
        await page.keyboard.press('ArrowRight');
        equal(await page.evaluate(() => document.activeElement.id), 'tab-who', 'arrows go along the sheets');
        await page.keyboard.press('Escape');
        must(await page.evaluate(() => document.getElementById('sheet').hidden), 'Escape closes the sheet');
        must((await page.textContent('#summary')).length > 60, 'no summary for a screen reader');
        // Every control has a name.
        const nameless = await page.evaluate(() => [...document.querySelectorAll('button, a, input, select')].filter((e) => !(e.textContent.trim() || e.getAttribute('aria-label') || (e.labels && e.labels.length))).map((e) => e.outerHTML));
        equal(nameless.join(), '', 'controls without a name');
    });
}
