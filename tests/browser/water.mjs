// What is drawn of the water: tints against the depths served, contours against known shapes and against GDAL, and how
// long a step of the stage takes.
import { spawnSync } from 'node:child_process';
import fs from 'node:fs';
import path from 'node:path';
import { check, equal, must, seen, sheet, shot, skip, still, work } from './bench.mjs';

export async function water(page, budget) {
    await check('tints are the bands of the depths served', () => tints(page));
    await check('a step of the stage redraws the water within the frame budget', () => steps(page, budget));
    await check('tints follow the stage to the centimetre', () => follow(page));
    await check('contours lie where known shapes have them, and meet at seams', () => shapes(page));
    await check('contours agree with gdal_contour', () => gdal(page));
}

/** Node by node: where a node and all eight around it lie in one band, its pixel has that band's colour or its hatching. */
async function tints(page) {
    const found = await page.evaluate(async () => {
        const { leadline } = window;
        const { state, palette } = leadline;
        const of = palette.theme();
        const one = leadline.unit().metres;
        const { step, n } = leadline.tint.bands();
        let checked = 0;
        const wrong = [];
        for (const [key, tile] of leadline.water.tiles) {
            if (tile.state !== 'here' || !tile.canvas) continue;
            // Read anew and decoded by other means than the page's own.
            const raw = new DataView(await (await fetch(`api/depth/${key}?v=${leadline.chart.version}`)).arrayBuffer());
            const safe = (i, j) => raw.getInt16(8 + 2 * (j * 129 + i), true);
            const data = tile.canvas.getContext('2d').getImageData(0, 0, 256, 256).data;
            for (let j = 2; j < 127; j += 3) {
                for (let i = 2; i < 127; i += 3) {
                    const around = [];
                    for (let b = -1; b <= 1; b++) for (let a = -1; a <= 1; a++) around.push(safe(i + a, j + b));
                    if (around.includes(-32768)) continue;
                    const band = (v) => Math.floor((v / 100 + state.stage) / one / step);
                    const bands = new Set(around.map(band));
                    const touch = around.some((v) => v / 100 + state.stage < state.draft + state.room + 0.02);
                    const flags = raw.getUint8(8 + 5 * 129 * 129 + j * 129 + i);
                    if (bands.size !== 1 || touch || (flags & 3) === 3 || flags & 4) continue;
                    const want = palette.band(Math.min(n - 1, [...bands][0]), n, of);
                    const at = 4 * (2 * j * 256 + 2 * i);
                    checked++;
                    if (want.some((v, c) => v !== data[at + c])) wrong.push([key, i, j, want, [...data.slice(at, at + 4)]]);
                }
            }
        }
        return { checked, wrong: wrong.slice(0, 3), n: wrong.length };
    });
    must(found.checked > 300, `only ${found.checked} nodes could be held against their pixels`);
    equal(found.n, 0, `nodes in another colour, ${JSON.stringify(found.wrong)}`);
    return `${found.checked} nodes`;
}

async function steps(page, budget) {
    await page.evaluate(() => window.leadline.chartMap.whole());
    await still(page);
    const before = await page.textContent('#stage-now');
    const times = [];
    let last = (await seen(page)).sum;
    for (let i = 0; i < 12; i++) {
        // The browser may put off what a canvas is told; reading a pixel waits until it is done.
        times.push(await page.evaluate((button) => {
            const began = performance.now();
            document.getElementById(button).click();
            document.querySelector('canvas.water').getContext('2d').getImageData(0, 0, 1, 1);
            return performance.now() - began;
        }, i < 6 ? 'stage-up' : 'stage-down'));
        const now = (await seen(page)).sum;
        must(now !== last, `step ${i} changed nothing`);
        last = now;
    }
    equal(await page.textContent('#stage-now'), before, 'six up and six down');
    const sorted = [...times].sort((a, b) => a - b);
    const median = sorted[6], worst = sorted[11];
    must(median <= budget, `median ${median.toFixed(0)} ms, worst ${worst.toFixed(0)} ms`);
    return `median ${median.toFixed(0)} ms, worst ${worst.toFixed(0)} ms at 1280 x 800`;
}

/** The water's edge today is where the safe depth is the stage with its sign turned. */
async function follow(page) {
    const told = await page.evaluate(() => {
        const { leadline } = window;
        const tables = leadline.tint.table();
        // One centimetre of bed above and below the water's edge.
        const edge = () => 32768 - Math.round(leadline.state.stage * 100);
        const [dry, wet] = [tables[0][edge() - 1], tables[0][edge() + 1]];
        leadline.set({ stage: leadline.state.stage + 0.1 });
        const later = leadline.tint.table()[0][edge() + 1];
        const drier = leadline.tint.table()[0][edge() - 1];
        leadline.set({ stage: leadline.state.stage - 0.1 });
        return { dry, wet, later, drier };
    });
    equal(told.wet, told.later, 'a centimetre under water, before and after a step');
    equal(told.dry, told.drier, 'a centimetre above water, before and after a step');
    must(told.dry !== told.wet, 'dry and wet look alike');
}

async function shapes(page) {
    const told = await page.evaluate(() => {
        const { trace, ranges } = window.leadline.contour;
        const n = 129;
        const plane = (f) => Int16Array.from({ length: n * n }, (_, k) => Math.round(f(k % n, Math.floor(k / n))));
        const lines = (f, level) => {
            const p = plane(f);
            return trace(p, n, ranges(p, n), level);
        };
        // A slope: one straight line at x = 64.25.
        const slope = lines((x) => 100 * x, 6425);
        const offSlope = Math.max(...slope[0].filter((_, i) => i % 2 === 0).map((x) => Math.abs(x - 64.25)));
        // A cone: one closed ring, its radius the level.
        const cone = lines((x, y) => 100 * Math.hypot(x - 64, y - 64), 4000.5);
        const radii = [];
        for (let i = 0; i < cone[0].length; i += 2) radii.push(Math.hypot(cone[0][i] - 64, cone[0][i + 1] - 64));
        const closed = cone[0][0] === cone[0][cone[0].length - 2] && cone[0][1] === cone[0][cone[0].length - 1];
        // Two tiles of one bed: the lines end at the same heights of the edge they share.
        const bed = (x, y) => 300 * Math.sin(x / 17) + 400 * Math.cos(y / 11) + 3 * x;
        const ends = (list, edge) => list.flatMap((l) => [[l[0], l[1]], [l[l.length - 2], l[l.length - 1]]]).filter(([x]) => x === edge).map(([, y]) => y).sort((a, b) => a - b);
        const west = ends(lines(bed, 600.5), 128), east = ends(lines((x, y) => bed(x + 128, y), 600.5), 0);
        // Nothing is drawn through what is blank.
        const holed = plane((x) => 100 * x);
        for (let k = 0; k < n; k++) holed[k * n + 64] = -32768;
        const blank = trace(holed, n, ranges(holed, n), 6425).length;
        return { slopes: slope.length, offSlope, cones: cone.length, closed, off: Math.max(...radii.map((r) => Math.abs(r - 40))), west, east, blank };
    });
    equal(told.slopes, 1, 'lines on a slope');
    must(told.offSlope < 1e-6, `the slope's line is off by ${told.offSlope}`);
    equal(told.cones, 1, 'lines on a cone');
    must(told.closed && told.off < 0.02, `the cone's ring: closed ${told.closed}, off by ${told.off}`);
    must(told.west.length > 2, 'the test bed has too few lines at the seam');
    equal(JSON.stringify(told.west), JSON.stringify(told.east), 'ends at the seam');
    equal(told.blank, 0, 'lines through blank');
}

/** The same grid through the reference program: the lines' lengths agree. */
async function gdal(page) {
    if (spawnSync('gdal_contour', ['--version']).error) skip('gdal_contour is not there');
    const n = 129;
    const bed = (x, y) => Math.round(500 + 300 * Math.sin(x / 17) + 200 * Math.cos(y / 11) + 3 * x + 90 * Math.sin((x + 2 * y) / 9));
    const rows = Array.from({ length: n }, (_, y) => Array.from({ length: n }, (_, x) => bed(x, y)).join(' '));
    const grid = path.join(work, 'bed.asc');
    // Centres of the cells on whole numbers; rows from the north.
    fs.writeFileSync(grid, `ncols ${n}\nnrows ${n}\nxllcenter 0\nyllcenter 0\ncellsize 1\nNODATA_value -32768\n${rows.join('\n')}\n`);
    const level = 520.5;
    const out = path.join(work, 'bed.geojson');
    const ran = spawnSync('gdal_contour', ['-q', '-f', 'GeoJSON', '-fl', String(level), grid, out], { encoding: 'utf8' });
    equal(ran.status, 0, `gdal_contour: ${ran.stderr}`);
    const lengthOf = (points) => points.slice(1).reduce((s, p, i) => s + Math.hypot(p[0] - points[i][0], p[1] - points[i][1]), 0);
    const theirs = JSON.parse(fs.readFileSync(out, 'utf8')).features
        .flatMap((f) => (f.geometry.type === 'LineString' ? [f.geometry.coordinates] : f.geometry.coordinates))
        // GDAL goes on for half a cell beyond the outer centres, where it has no second value: that part is left away.
        .map((line) => line.map(([x, y]) => [x, n - 1 - y]))
        .map((line) => lengthOf(line.filter(([x, y]) => x >= 0 && y >= 0 && x <= n - 1 && y <= n - 1)));
    const ours = await page.evaluate(([text, at]) => {
        const { trace, ranges } = window.leadline.contour;
        const plane = Int16Array.from(text.split(/\s+/).map(Number));
        return trace(plane, 129, ranges(plane, 129), at);
    }, [rows.join(' '), level]);
    const mine = ours.map((l) => lengthOf(Array.from({ length: l.length / 2 }, (_, i) => [l[2 * i], l[2 * i + 1]])));
    const sum = (list) => list.reduce((a, b) => a + b, 0);
    const off = Math.abs(sum(mine) - sum(theirs)) / sum(theirs);
    must(off < 0.005, `lengths ${sum(mine).toFixed(2)} and ${sum(theirs).toFixed(2)} nodes`);
    return `${mine.length} lines, lengths agree to ${(100 * off).toFixed(3)} %`;
}

export async function looks(page) {
    for (const theme of ['sun', 'night', 'day']) {
        await check(`theme ${theme}: texts and lines stand out by 4.5 : 1`, async () => {
            await sheet(page, 'water');
            await page.locator(`input[name=pick-theme][value=${theme}]`).check({ force: true });
            await still(page);
            await shot(page, `wide-${theme}`);
            return contrasts(page);
        });
    }
}

/** Contrast as WCAG 2.1 has it: computed here from the colours the page has, for its texts and for ink on each band. */
async function contrasts(page) {
    const told = await page.evaluate(() => {
        const { leadline } = window;
        const { palette } = leadline;
        const of = palette.theme();
        const root = getComputedStyle(document.documentElement);
        const hex = (name) => root.getPropertyValue(name).trim().match(/[0-9a-f]{2}/gi).map((v) => parseInt(v, 16));
        const pairs = [['--ink', '--paper'], ['--soft', '--paper'], ['--soft', '--raised'], ['--ink', '--raised'], ['--on-strong', '--strong'], ['--bad', '--paper'], ['--ink', '--field']].map(([a, b]) => [`${a} on ${b}`, hex(a), hex(b)]);
        for (let n = 1; n <= 9; n++) for (let i = 0; i < n; i++) pairs.push([`figure's halo on band ${i} of ${n}`, of.ink, of.paper], [`best ink on band ${i} of ${n}`, palette.inkOn(palette.band(i, n, of)), palette.band(i, n, of)]);
        return pairs;
    });
    const linear = (v) => (v / 255 <= 0.03928 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
    const light = (c) => 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
    let least = 21;
    for (const [what, a, b] of told) {
        const ratio = (Math.max(light(a), light(b)) + 0.05) / (Math.min(light(a), light(b)) + 0.05);
        must(ratio >= 4.5, `${what}: ${ratio.toFixed(2)}`);
        least = Math.min(least, ratio);
    }
    return `least ${least.toFixed(1)} : 1`;
}
