// Where the page reads from: the program that serves it, or the data inside a pocket chart.
(function () {
    'use strict';
    const leadline = window.leadline;

    /** A refusal of the program: what, why, next. */
    class Refusal extends Error {
        constructor(error, status) {
            super(error.what || `HTTP ${status}`);
            Object.assign(this, { what: error.what, why: error.why, next: error.next, status });
        }
    }

    async function answer(response) {
        if (response.ok) return response;
        let error = {};
        try {
            error = (await response.json()).error || {};
        } catch {
            /* Not ours; the status says what there is to say. */
        }
        throw new Refusal(error, response.status);
    }

    const query = (given) => {
        const pairs = Object.entries(given || {}).filter(([, v]) => v !== undefined && v !== null && v !== '');
        return pairs.length ? `?${new URLSearchParams(pairs)}` : '';
    };

    /** The program itself. */
    function served() {
        let version = '';
        const get = async (path, given, signal) => answer(await fetch(path + query(given), { signal, credentials: 'same-origin' }));
        const json = async (path, given) => (await get(path, given)).json();
        const posted = async (path, body, given, type, more) =>
            answer(
                await fetch(path + query(given), {
                    method: 'POST',
                    headers: { 'X-Leadline': '1', 'Content-Type': type, ...more },
                    body,
                    credentials: 'same-origin',
                }),
            );
        const post = async (...all) => (await posted(...all)).json();
        const named = async (response, name) => {
            const said = /filename="([^"]+)"/.exec(response.headers.get('Content-Disposition') || '');
            return { bytes: await response.blob(), name: said ? said[1] : name };
        };
        return {
            pocket: false,
            async chart() {
                const chart = await json('api/chart');
                version = chart.version;
                return chart;
            },
            async depth(show, z, x, y, signal) {
                const response = await get(`api/depth/${show}/${z}/${x}/${y}`, { v: version, g: leadline.water.grownAt({ z, x, y }) }, signal);
                return response.status === 204 ? null : response.arrayBuffer();
            },
            async soundings(show, z, x, y, signal) {
                const response = await get(`api/soundings/${show}/${z}/${x}/${y}`, { v: version, g: leadline.water.grownAt({ z, x, y }) }, signal);
                return response.status === 204 ? [] : response.json();
            },
            layer: (name, given) => json(`api/layer/${name}`, { v: version, ...given }),
            touch: (lon, lat) => json('api/touch', { lon: lon.toFixed(7), lat: lat.toFixed(7), show: leadline.state.show }),
            profile: (line) => json('api/profile', { line: line.map((c) => c.map((n) => n.toFixed(7)).join(',')).join(';'), show: leadline.state.show }),
            read: json,
            act: (name, body) => post(`api/${name}`, JSON.stringify(body || {}), null, 'application/json'),
            /** `words`: a passphrase, for files that are locked. */
            send: (name, bytes, given, words) => post(`api/${name}`, bytes, given, 'application/octet-stream', words && { 'X-Leadline-Words': encodeURIComponent(words) }),
            /** A file to keep: its bytes and the name the program gives it. */
            file: async (name, given) => named(await get(`api/${name}`, given), name),
            /** The same, of what is made on request. */
            made: async (name, body) => named(await posted(`api/${name}`, JSON.stringify(body), null, 'application/json'), name),
            listen(hear) {
                const events = new EventSource('api/events');
                for (const name of ['chart', 'meet']) {
                    events.addEventListener(name, (e) => hear(name, JSON.parse(e.data)));
                }
                return events;
            },
        };
    }

    /** One file that holds its own data. */
    function pocket(text) {
        const held = JSON.parse(text);
        const tiles = held.tiles || {};
        const none = async () => ({ type: 'FeatureCollection', features: [] });
        const source = {
            pocket: true,
            minZoom: held.min_zoom,
            maxZoom: held.max_zoom,
            chart: async () => ({ ...held.chart, may_write: false }),
            async depth(show, z, x, y) {
                const packed = tiles[`${z}/${x}/${y}`];
                return packed ? gunzip(packed) : null;
            },
            soundings: async (show, z, x, y) => (held.soundings || {})[`${z}/${x}/${y}`] || [],
            layer: async (name) => held[name] || none(),
            touch: (lon, lat) => leadline.water.touchHeld(lon, lat),
            profile: (line) => leadline.water.profileHeld(line),
            read: async () => {
                throw new Refusal({ what: leadline.words.pocket.no }, 0);
            },
            listen: () => null,
        };
        source.act = source.send = source.made = source.read;
        return source;
    }

    async function gunzip(base64) {
        const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
        const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream('gzip'));
        return new Response(stream).arrayBuffer();
    }

    leadline.openSource = () => {
        const data = document.getElementById('leadline-pocket');
        leadline.source = data ? pocket(data.textContent) : served();
        return leadline.source;
    };
})();
