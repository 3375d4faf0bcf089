// What every part of the page shares: the state, who is told when it changes, units, and making elements.
(function () {
    'use strict';
    const leadline = (window.leadline = window.leadline || {});
    const listeners = {};

    /** Units people read: metres in one, and how fine a depth is shown. */
    const UNITS = {
        m: { metres: 1, places: 1 },
        ft: { metres: 0.3048, places: 1 },
        fm: { metres: 1.8288, places: 2 },
    };

    leadline.state = {
        stage: 0, // metres above the sounding datum
        draft: 0, // metres
        room: 0.3, // metres wanted under the boat; judgement, the same as of `plan`
        units: 'm',
        theme: 'day',
        tint: 'depth',
        show: 'all',
        layers: { soundings: true, contours: true, touch: true, marks: true },
    };
    leadline.frameMs = 0;

    leadline.on = (event, act) => (listeners[event] = listeners[event] || []).push(act);
    leadline.tell = (event, what) => (listeners[event] || []).forEach((act) => act(what));

    /** Changes the state and tells who listens to one of the names changed. */
    leadline.set = (change) => {
        const names = Object.keys(change).filter((name) => leadline.state[name] !== change[name]);
        Object.assign(leadline.state, change);
        leadline.keep();
        if (names.length) leadline.tell('state', names);
    };

    const KEPT = ['draft', 'room', 'units', 'theme', 'tint', 'layers'];

    /** Keeps this browser's choices. A browser that keeps nothing is no reason to fail. */
    leadline.keep = () => {
        try {
            const kept = Object.fromEntries(KEPT.map((name) => [name, leadline.state[name]]));
            localStorage.setItem('leadline', JSON.stringify(kept));
        } catch {
            /* Nothing is kept. */
        }
    };

    /** What was kept, checked: it may be another version's. */
    leadline.kept = () => {
        let kept = {};
        try {
            kept = JSON.parse(localStorage.getItem('leadline')) || {};
        } catch {
            /* Begin with the defaults. */
        }
        const ok = {};
        if (UNITS[kept.units]) ok.units = kept.units;
        if (leadline.themes.includes(kept.theme)) ok.theme = kept.theme;
        if (['depth', 'grade', 'tvu', 'none'].includes(kept.tint)) ok.tint = kept.tint;
        for (const name of ['draft', 'room']) {
            if (typeof kept[name] === 'number' && kept[name] >= 0 && kept[name] < 30) ok[name] = kept[name];
        }
        if (kept.layers && typeof kept.layers === 'object') {
            ok.layers = { ...leadline.state.layers };
            for (const [name, on] of Object.entries(kept.layers)) ok.layers[name] = on === true;
        }
        return ok;
    };
    leadline.themes = ['day', 'sun', 'night'];

    leadline.unit = () => UNITS[leadline.state.units];

    /** A depth in metres as a number in the unit, cut to the shoal side: never deeper than it is. */
    leadline.depthNumber = (metres) => {
        const { metres: one, places } = leadline.unit();
        const tens = 10 ** places;
        return (Math.floor((metres / one) * tens + 1e-6) / tens).toFixed(places);
    };
    leadline.depth = (metres) =>
        metres === null || metres === undefined ? leadline.words.unknown : `${leadline.depthNumber(metres)} ${leadline.state.units}`;

    /** A length that is no depth (a band, a stage, a draft): rounded, with a sign if asked. */
    leadline.height = (metres, sign) => {
        const { metres: one } = leadline.unit();
        const value = (metres / one).toFixed(2);
        return `${sign && metres >= 0 ? '+' : ''}${value.replace('-', '\u2212')} ${leadline.state.units}`;
    };

    /** A place as people read it aloud: latitude first. */
    leadline.placeText = ([lon, lat]) =>
        `${Math.abs(lat).toFixed(5)}\u00b0 ${lat < 0 ? 'S' : 'N'}, ${Math.abs(lon).toFixed(5)}\u00b0 ${lon < 0 ? 'W' : 'E'}`;

    leadline.distance = (metres) =>
        metres < 1000 ? `${Math.round(metres)} m` : `${(metres / 1000).toFixed(2)} km`;

    /** A text from another device or file, without characters that hide or turn others. */
    leadline.plain = (text) =>
        String(text ?? '').replace(
            /[\u0000-\u001f\u007f-\u009f\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]/g,
            (c) => `\\u{${c.codePointAt(0).toString(16)}}`,
        );

    /** A time as people read it; UTC, as everything here. */
    leadline.when = (utc) => (utc ? leadline.plain(utc).replace('T', ' ').replace(/(:\d\d)(\.\d+)?Z$/, (all, s) => (s === ':00' ? '' : s)) + ' UTC' : leadline.words.unknown);

    leadline.age = (seconds) => {
        const w = leadline.words.age;
        if (seconds < 5400) return w.minutes(Math.round(seconds / 60));
        if (seconds < 129600) return w.hours(Math.round(seconds / 3600));
        return w.days(Math.round(seconds / 86400));
    };

    /** An element; `on…` are listeners, `class` and the rest attributes, false and null left away. */
    leadline.h = (tag, given, ...children) => {
        const element = document.createElement(tag);
        for (const [name, value] of Object.entries(given || {})) {
            if (value === false || value === null || value === undefined) continue;
            if (name.startsWith('on')) element.addEventListener(name.slice(2), value);
            else if (['value', 'checked', 'disabled', 'hidden', 'selected', 'required'].includes(name)) element[name] = value;
            else element.setAttribute(name, value === true ? '' : value);
        }
        element.append(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
        return element;
    };

    let number = 0;
    /** A label over its field. */
    leadline.field = (label, input, hint) => {
        const { h } = leadline;
        input.id = input.id || `field-${++number}`;
        const told = hint && h('small', { id: `${input.id}-hint` }, hint);
        if (told) input.setAttribute('aria-describedby', told.id);
        return h('div', { class: 'field' }, h('label', { for: input.id }, label), input, told);
    };

    leadline.select = (options, chosen, given) =>
        leadline.h('select', given, options.map(([value, text]) => leadline.h('option', { value, selected: value === chosen }, text)));

    leadline.button = (text, act, given) => leadline.h('button', { type: 'button', onclick: act, ...given }, text);

    /** Says something in the line at the foot, for a while; a refusal stays longer. */
    let saying = 0;
    leadline.say = (text, bad) => {
        const line = document.getElementById('say');
        line.textContent = text;
        line.classList.toggle('bad', Boolean(bad));
        line.classList.add('shown');
        clearTimeout(saying);
        saying = setTimeout(() => line.classList.remove('shown'), bad ? 15000 : 6000);
    };

    /** Says something to a screen reader only; the eye sees it anyway. */
    leadline.hear = (text) => (document.getElementById('told').textContent = text);

    /** A refusal as one text: what, why, and what to do next. */
    leadline.refusal = (error) =>
        [error.what || error.message || leadline.words.failed, error.why, error.next].filter(Boolean).map(leadline.plain).join(' ');

    /** Saves a file of the program's; a refusal is said here instead of replacing the page. */
    leadline.save = (name, given) => leadline.saveFrom(() => leadline.source.file(name, given));

    leadline.saveFrom = (ask) =>
        leadline.attempt(async () => {
            leadline.say(leadline.words.saving);
            const file = await ask();
            const address = URL.createObjectURL(file.bytes);
            const link = leadline.h('a', { href: address, download: file.name });
            document.body.append(link);
            link.click();
            link.remove();
            setTimeout(() => URL.revokeObjectURL(address), 60000);
            leadline.say(leadline.words.saved(leadline.plain(file.name), file.bytes.size));
        });

    /** Runs an act of a person; what went wrong is said, never swallowed. */
    leadline.attempt = async (act) => {
        try {
            return await act();
        } catch (error) {
            leadline.say(leadline.refusal(error), true);
            return undefined;
        }
    };
})();
