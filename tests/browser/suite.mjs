// The browser suite: see run.sh.
import fs from 'node:fs';
import path from 'node:path';
import * as clicks from './clicks.mjs';
import { check, console_errors, elsewhere, equal, failures, launch, leadline, must, open, pictures, seen, serve, shot, still, stop, work } from './bench.mjs';
import { doors, lan } from './doors.mjs';
import { eyes } from './eyes.mjs';
import { guide } from './guide.mjs';
import { large } from './large.mjs';
import { phone, pocket } from './phone.mjs';
import { underway } from './underway.mjs';
import { looks, water } from './water.mjs';

// What one step of the stage may take, in milliseconds: the target is 50; machines that share their cores get four times that.
const FRAME = 200;

/** The first look: how long, how much, and whether anything is seen. */
async function first(page, link) {
    const session = await page.context().newCDPSession(page);
    let bytes = 0;
    await session.send('Network.enable');
    await session.send('Network.setCacheDisabled', { cacheDisabled: true });
    session.on('Network.loadingFinished', (e) => (bytes += e.encodedDataLength));
    const began = Date.now();
    await page.goto(link);
    await still(page);
    const took = Date.now() - began;
    await session.send('Network.setCacheDisabled', { cacheDisabled: false });
    const { share } = await seen(page);
    must(share > 0.03, `only ${(100 * share).toFixed(1)} % of the map is tinted`);
    must(bytes < 2e6, `${bytes} bytes`);
    must(took < 15000, `${took} ms`);
    await shot(page, 'wide-first');
    return `all tiles of the first map after ${(took / 1000).toFixed(2)} s, ${(bytes / 1e6).toFixed(2)} MB over the wire`;
}

async function main() {
    leadline('demo', '-o', 'demo');
    const home = path.join(work, 'demo', 'heron');
    const { link } = await serve(home);
    const plain = await launch('--disable-3d-apis');
    let sum;
    const page = await open(plain, link);
    await check('without WebGL: the first map', async () => {
        const gl = await page.evaluate(() => document.createElement('canvas').getContext('webgl'));
        equal(gl, null, 'WebGL');
        return first(page, link);
    });
    await still(page);
    sum = (await seen(page)).sum;
    await check('with WebGL: the same map', async () => {
        const full = await launch();
        try {
            const other = await open(full, link);
            await still(other);
            must(await other.evaluate(() => document.createElement('canvas').getContext('webgl') !== null), 'this browser has no WebGL either');
            equal((await seen(other)).sum, sum, 'pixels');
        } finally {
            await full.close();
        }
    });
    // Before anything is changed, so that the guide shows the demo as it is.
    if (process.env.LEADLINE_GUIDE) await guide(plain, link, process.env.LEADLINE_GUIDE);
    await water(page, FRAME);
    await clicks.layers(page);
    await looks(page);
    await clicks.places(page);
    await clicks.who(page);
    await clicks.doing(page);
    await clicks.meeting(page);
    await phone(plain, link);
    await pocket(plain, page);
    await eyes(plain, page);
    await clicks.logs(page);
    await check('a second browser sees what was read in by the first', async () => {
        const second = await open(plain, link, { width: 360, height: 740, touch: true });
        await still(second);
        equal(await second.evaluate(() => window.leadline.chart.version), await page.evaluate(() => window.leadline.chart.version), 'version');
        await second.context().close();
    });
    await clicks.follows(page, home);
    await clicks.keyboard(page);
    await underway(plain);
    await doors(plain, link);
    await lan(plain, home);
    await large(plain);
    await check('no request left the page’s own origin', async () => equal([...new Set(elsewhere)].join(' '), '', 'requests'));
    await check('the console is free of errors', async () => equal([...new Set(console_errors)].join(' ; '), '', 'errors'));
    await plain.close();
}

main()
    .catch((error) => {
        console.log(`not ok browser: ${String(error.stack || error).split('\n').slice(0, 4).join(' | ')}`);
        process.exitCode = 1;
    })
    .finally(() => {
        stop();
        if (failures()) process.exitCode = 1;
        console.log(`pictures: ${path.relative(process.cwd(), pictures)} (${fs.readdirSync(pictures).length})`);
    });
