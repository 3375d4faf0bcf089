// Who gets in: hosts, origins, tokens, headers. Asked over plain sockets, and by a page of another origin.
import http from 'node:http';
import { check, equal, must, open, serve, shot, still } from './bench.mjs';

function ask(link, { method = 'GET', path = '/api/chart', headers = {}, body } = {}) {
    const { hostname, port, host } = new URL(link);
    return new Promise((done, fail) => {
        const request = http.request({ hostname, port, method, path, headers: { Host: host, ...headers }, setHost: false }, (answer) => {
            const parts = [];
            answer.on('data', (d) => parts.push(d));
            answer.on('end', () => done({ status: answer.statusCode, headers: answer.headers, text: Buffer.concat(parts).toString() }));
        });
        request.on('error', fail);
        request.end(body);
    });
}

export async function doors(browser, link) {
    await check('a wrong Host is refused', async () => {
        for (const host of ['evil.example', 'evil.example:80', '']) {
            const got = await ask(link, { headers: { Host: host } });
            must(got.status >= 400 && got.status < 500, `Host ${host}: ${got.status}`);
            must(!got.text.includes('"survey"'), 'the chart was told all the same');
        }
        equal((await ask(link)).status, 200, 'the right Host');
    });
    await check('a post from another origin, or without the header, is refused', async () => {
        const post = (headers) => ask(link, { method: 'POST', path: '/api/mark', headers: { 'Content-Type': 'application/json', ...headers }, body: JSON.stringify({ lon: 0, lat: 0, kind: 'hazard', name: 'x', share: true }) });
        for (const [what, headers] of [['foreign origin', { Origin: 'http://evil.example', 'X-Leadline': '1' }], ['null origin', { Origin: 'null', 'X-Leadline': '1' }], ['no header', { Origin: new URL(link).origin }]]) {
            const got = await post(headers);
            must(got.status >= 400 && got.status < 500, `${what}: ${got.status}`);
        }
        const foreign = http.createServer((_, answer) => answer.setHeader('Content-Type', 'text/html').end('<!doctype html><link rel="icon" href="data:,"><title>x</title>'));
        await new Promise((go) => foreign.listen(0, '127.0.0.1', go));
        try {
            const context = await browser.newContext();
            const page = await context.newPage();
            await page.goto(`http://127.0.0.1:${foreign.address().port}/`);
            const tried = await page.evaluate(async (to) => {
                const outcome = async (given) => fetch(`${to}api/mark`, { method: 'POST', body: '{}', ...given }).then((r) => r.type + r.status, () => 'refused');
                return [await outcome({ headers: { 'X-Leadline': '1' } }), await outcome({ mode: 'no-cors' }), await fetch(`${to}api/chart`).then((r) => r.text(), () => 'refused')];
            }, link);
            equal(tried[0], 'refused', 'a post with the header');
            equal(tried[2], 'refused', 'reading the chart');
            await context.close();
        } finally {
            foreign.close();
        }
        const marks = JSON.parse((await ask(link, { path: '/api/layer/marks' })).text);
        must(!marks.features.some((f) => f.properties.name === 'x'), 'the mark was made all the same');
    });
    await check('the page’s policy lets nothing else in', async () => {
        const { headers } = await ask(link, { path: '/' });
        const policy = headers['content-security-policy'] || '';
        for (const wanted of ["default-src 'none'", "script-src 'self'", "connect-src 'self'", "frame-ancestors 'none'", "base-uri 'none'"]) must(policy.includes(wanted), `${wanted} is not in ${policy}`);
        must(!/script-src[^;]*unsafe/.test(policy), policy);
        equal(headers['x-content-type-options'], 'nosniff', 'X-Content-Type-Options');
        equal(headers['access-control-allow-origin'], undefined, 'Access-Control-Allow-Origin');
    });
}

/** The page for others on the network: only with the token, and for reading only. */
export async function lan(browser, home) {
    const { link } = await serve(home, '--lan', '--at', '127.0.0.1');
    const token = new URL(link).searchParams.get('door');
    const plain = `${new URL(link).origin}/`;
    await check('--lan: no token, a wrong token and a cut token are refused', async () => {
        must(token && token.length >= 20, `token ${token}`);
        for (const path of ['/', '/api/chart', '/api/events', '/?door=wrong', `/?door=${token.slice(0, -1)}`, `/?door=${token}x`]) {
            const got = await ask(plain, { path });
            must(got.status === 401 || got.status === 403, `${path}: ${got.status}`);
        }
    });
    await check('--lan: with the token it is read, not written, and says so', async () => {
        const page = await open(browser, link, { width: 360, height: 740, touch: true });
        await still(page);
        must(!page.url().includes(token), 'the token stays in the address');
        const cookie = (await page.context().cookies())[0];
        must(cookie && cookie.httpOnly && cookie.sameSite === 'Strict', JSON.stringify(cookie));
        equal(await page.evaluate(() => window.leadline.chart.may_write), false, 'may_write');
        await page.click('#tab-do');
        const told = await page.textContent('#door');
        must(/not encrypted/.test(told) && /reading only/.test(told), told);
        page.expected.push('403');
        const refused = await page.evaluate(async () => {
            try {
                await window.leadline.source.act('mark', { lon: 0, lat: 0, kind: 'hazard', name: 'x', share: false });
                return null;
            } catch (e) {
                return [e.status, window.leadline.refusal(e)];
            }
        });
        equal(refused && refused[0], 403, 'status of an act');
        must(refused[1].length > 30, `the refusal says too little: ${refused[1]}`);
        await shot(page, 'phone-lan');
        await page.context().close();
    });
}
