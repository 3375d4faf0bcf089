// The pictures of docs/guide.md: small, made from the demo, the same each time.
import path from 'node:path';
import { check, get, open, sheet, still, tap } from './bench.mjs';

export async function guide(browser, link, folder) {
    await check('pictures for the guide', async () => {
        const wide = await open(browser, link, { width: 820, height: 520 });
        await still(wide);
        await wide.screenshot({ path: path.join(folder, 'page-water.png') });
        await sheet(wide, 'layers');
        for (const name of ['passes', 'coverage']) await wide.locator(`#layer-${name}`).check();
        await wide.evaluate(() => {
            const view = window.leadline.map.getView();
            view.setZoom(view.getZoom() + 1.3);
            document.getElementById('sheet').scrollTop = 0;
        });
        await still(wide);
        await wide.waitForTimeout(1500);
        await wide.screenshot({ path: path.join(folder, 'page-layers.png') });
        await wide.context().close();
        const phone = await open(browser, link, { width: 360, height: 640, touch: true });
        await still(phone);
        const { center } = await get(phone, 'api/chart');
        await tap(phone, ...center);
        await phone.waitForTimeout(800);
        await phone.screenshot({ path: path.join(folder, 'page-place.png') });
        await phone.context().close();
    });
}
