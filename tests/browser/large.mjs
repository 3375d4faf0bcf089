// The page on a survey of a million soundings of the invented water: how long until the map is there, and whether it
// stays smooth under the hand.
import { spawnSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { check, leadline, must, open, seen, serve, sheet, shot, skip, still, tap, work } from './bench.mjs';

// Milliseconds a frame may take in the median while the map moves; the same room for shared cores as for a step of the stage.
const FRAME = 200;

export async function large(browser) {
    const home = path.join(work, 'large');
    let link;
    let page;
    await check('a million soundings: imported and shown', async () => {
        const writer = path.join(process.env.LEADLINE_EXAMPLES || '', 'synthetic');
        if (!process.env.LEADLINE_EXAMPLES || !fs.existsSync(writer)) skip('the example program `synthetic` is not built');
        const log = path.join(work, 'large.nmea');
        const out = fs.openSync(log, 'w');
        const wrote = spawnSync(writer, ['1000000'], { stdio: ['ignore', out, 'inherit'] });
        fs.closeSync(out);
        must(wrote.status === 0, `synthetic ended with ${wrote.status}`);
        leadline('--home', home, 'survey', 'new', 'Large', '--datum', 'invented', '--device', 'Large');
        leadline('--home', home, 'import', log, '--boat', 'Heron', '--draft', '0.35');
        fs.rmSync(log);
        const began = Date.now();
        ({ link } = await serve(home));
        const up = Date.now() - began;
        page = await open(browser, link);
        await still(page);
        const shown = Date.now() - began;
        must((await seen(page)).share > 0.03, 'no water is drawn');
        await shot(page, 'large-first');
        const again = Date.now();
        await page.reload();
        await still(page);
        return `served after ${(up / 1000).toFixed(1)} s, all of the first map after ${(shown / 1000).toFixed(1)} s with the survey worked out meanwhile, after ${((Date.now() - again) / 1000).toFixed(1)} s the next time`;
    });
    if (!page) return;
    await check('a million soundings: the map stays smooth while it is moved', async () => {
        const times = await page.evaluate(async () => {
            const view = window.leadline.map.getView();
            const out = [];
            const at = view.getCenter(), zoom = view.getZoom();
            for (let i = 0; i < 60; i++) {
                view.setZoom(zoom + 2 * Math.sin(i / 10));
                view.setCenter([at[0] + 300 * Math.sin(i / 7), at[1] + 200 * Math.cos(i / 9)]);
                const began = performance.now();
                window.leadline.map.renderSync();
                document.querySelector('canvas.water').getContext('2d').getImageData(0, 0, 1, 1);
                out.push(performance.now() - began);
                await new Promise((go) => requestAnimationFrame(go));
            }
            view.setZoom(zoom);
            view.setCenter(at);
            return out.sort((a, b) => a - b);
        });
        must(times[30] < FRAME, `median ${times[30].toFixed(0)} ms`);
        await still(page);
        return `median ${times[30].toFixed(0)} ms, worst ${times[59].toFixed(0)} ms a frame`;
    });
    await check('a million soundings: a step of the stage, a place, the passes', async () => {
        const before = (await seen(page)).sum;
        const took = await page.evaluate(() => {
            const began = performance.now();
            document.getElementById('stage-up').click();
            document.querySelector('canvas.water').getContext('2d').getImageData(0, 0, 1, 1);
            return performance.now() - began;
        });
        must((await seen(page)).sum !== before, 'the stage stepper does nothing');
        const began = Date.now();
        await tap(page, ...(await page.evaluate(() => window.leadline.chartMap.centre())));
        const told = Date.now() - began;
        await sheet(page, 'layers');
        await page.locator('#layer-passes').check();
        await page.waitForFunction(() => window.leadline.overlays.told('passes') !== undefined, null, { timeout: 30000 });
        await page.waitForTimeout(500);
        await shot(page, 'large-passes');
        return `step ${took.toFixed(0)} ms, place told after ${told} ms, ${await page.evaluate(() => window.leadline.overlays.count('passes'))} stretches of passes`;
    });
    await page.context().close();
}
