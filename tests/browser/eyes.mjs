// The page as other eyes see it: Chromium's own simulation, and the colours measured in its pictures.
import fs from 'node:fs';
import path from 'node:path';
import { check, must, pictures, sheet, still } from './bench.mjs';

const EYES = ['none', 'protanopia', 'deuteranopia', 'tritanopia', 'achromatopsia'];

/** CIE 1976 L*a*b* (D65) of an sRGB colour, IEC 61966-2-1. */
function lab(c) {
    const [r, g, b] = c.map((v) => (v / 255 <= 0.04045 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4));
    const f = (v) => (v > 216 / 24389 ? Math.cbrt(v) : ((24389 / 27) * v + 16) / 116);
    const x = f((0.4124564 * r + 0.3575761 * g + 0.1804375 * b) / 0.95047);
    const y = f(0.2126729 * r + 0.7151522 * g + 0.072175 * b);
    const z = f((0.0193339 * r + 0.119192 * g + 0.9503041 * b) / 1.08883);
    return [116 * y - 16, 500 * (x - y), 200 * (y - z)];
}
const apart = (a, b) => Math.hypot(...lab(a).map((v, i) => v - lab(b)[i]));

export async function eyes(browser, page) {
    await sheet(page, 'water');
    await still(page);
    const session = await page.context().newCDPSession(page);
    const reader = await (await browser.newContext()).newPage();
    for (const eye of EYES) {
        await check(`neighbouring bands are told apart: ${eye === 'none' ? 'the usual eye' : eye}`, async () => {
            await session.send('Emulation.setEmulatedVisionDeficiency', { type: eye });
            const swatches = page.locator('#sheet .legend').first().locator('.swatch:not(.hatch-back)');
            const boxes = [];
            for (let i = 0; i < (await swatches.count()); i++) {
                await swatches.nth(i).scrollIntoViewIfNeeded();
                boxes.push((await swatches.nth(i).screenshot()).toString('base64'));
            }
            fs.writeFileSync(path.join(pictures, `eye-${eye}.png`), await page.screenshot());
            // The picture is read by a page without the simulation.
            const colours = await reader.evaluate(async (list) => {
                const out = [];
                for (const data of list) {
                    const image = new Image();
                    image.src = `data:image/png;base64,${data}`;
                    await image.decode();
                    const canvas = document.createElement('canvas');
                    [canvas.width, canvas.height] = [image.width, image.height];
                    const pen = canvas.getContext('2d');
                    pen.drawImage(image, 0, 0);
                    out.push([...pen.getImageData(image.width >> 1, image.height >> 1, 1, 1).data.slice(0, 3)]);
                }
                return out;
            }, boxes);
            must(colours.length >= 3, `${colours.length} bands`);
            const least = Math.min(...colours.slice(1).map((c, i) => apart(c, colours[i])));
            // 2.3 is just seen (Mahy, Van Eycken and Oosterlinck 1994); twice that is asked, as of the chart sheets.
            must(least > 4.6, `least difference ${least.toFixed(1)}: ${JSON.stringify(colours)}`);
            return `least difference ${least.toFixed(1)}`;
        });
    }
    await session.send('Emulation.setEmulatedVisionDeficiency', { type: 'none' });
    await reader.context().close();
}
