// Today's water: the strip with the stage stepper, and the sheet with draft, units, theme and the depth legend.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { h } = leadline;

    /** A step of the stage in metres: a tenth, or in other units a tenth of a foot. */
    const step = () => (leadline.state.units === 'm' ? (leadline.chart.stage && leadline.chart.stage.step_m) || 0.1 : 0.03048);

    function by(n) {
        const to = Math.max(-100, Math.min(100, Math.round((leadline.state.stage + n * step()) * 1e4) / 1e4));
        leadline.set({ stage: to });
    }

    /** What the stage shown is: the last reading, the datum, or chosen by hand. */
    function meaning() {
        const { state, chart } = leadline;
        const w = leadline.words.water;
        const read = chart.stage;
        if (read && Math.abs(state.stage - read.level_m) < 1e-4) return w.read(leadline.plain(read.gauge || w.noGauge), leadline.when(read.at_utc), leadline.age(read.age_s ?? Math.max(0, (Date.now() - Date.parse(read.at_utc)) / 1000)));
        if (Math.abs(state.stage) < 1e-4) return read ? w.datum : w.neverRead;
        return read ? w.byHand(leadline.height(state.stage - read.level_m, true), leadline.when(read.at_utc)) : w.byHandUnread;
    }

    function strip() {
        const w = leadline.words.water;
        const { state } = leadline;
        document.getElementById('stage').replaceChildren(
            leadline.button('\u2212', () => by(-1), { 'aria-label': w.lower, id: 'stage-down' }),
            h('div', { class: 'reading' },
                h('output', { id: 'stage-now' }, h('b', null, leadline.height(state.stage, true)), ` ${w.level}`),
                h('small', { id: 'stage-why' }, meaning())),
            leadline.button('+', () => by(1), { 'aria-label': w.higher, id: 'stage-up' }),
        );
    }

    function number(name, label, hint) {
        const { metres } = leadline.unit();
        const input = h('input', {
            type: 'number', inputmode: 'decimal', min: 0, max: (30 / metres).toFixed(0), step: 'any', id: `water-${name}`,
            value: +(leadline.state[name] / metres).toFixed(2),
            onchange: () => {
                const value = Number(input.value) * metres;
                if (input.value !== '' && value >= 0 && value < 30) leadline.set({ [name]: value });
                else leadline.say(leadline.words.water.badNumber, true);
            },
        });
        return leadline.field(`${label} (${leadline.state.units})`, input, hint);
    }

    function choice(name, options, label) {
        return h('fieldset', { class: 'choice' }, h('legend', null, label),
            options.map(([value, text]) => h('label', null,
                h('input', { type: 'radio', name: `pick-${name}`, value, checked: leadline.state[name] === value, onchange: () => leadline.set({ [name]: value }) }),
                h('span', null, text))));
    }

    function legend() {
        const { palette } = leadline;
        const w = leadline.words.water;
        const { step: size, n, dries } = leadline.tint.bands();
        const of = palette.theme();
        const swatch = (colour, kind) => h('i', { class: `swatch ${kind || ''}`, style: `background-color:${palette.css(colour)}` });
        const rows = Array.from({ length: n }, (_, i) => h('li', null, swatch(palette.band(i, n, of)), `${+(i * size).toFixed(2)} \u2013 ${+((i + 1) * size).toFixed(2)} ${leadline.state.units}`));
        if (dries) rows.unshift(h('li', null, swatch(of.drying, 'hatch-back'), w.dries));
        return h('section', null, h('h3', null, w.legend), h('ul', { class: 'legend' }, rows),
            h('ul', { class: 'legend' },
                h('li', null, h('i', { class: 'swatch hatch' }), w.touches(leadline.height(leadline.state.draft + leadline.state.room))),
                h('li', null, h('i', { class: 'swatch dots' }), w.quiet),
                h('li', null, h('i', { class: 'swatch blank' }), w.blank)));
    }

    async function record() {
        const w = leadline.words.water;
        const got = await leadline.ask(w.record, [
            ['level', leadline.field(w.recordLevel(leadline.state.units), h('input', { type: 'number', step: 'any', inputmode: 'decimal', required: true, value: +(leadline.state.stage / leadline.unit().metres).toFixed(2) }))],
            ['at', leadline.field(w.recordAt, h('input', { type: 'text', value: 'now', required: true }), w.recordAtHint)],
            ['gauge', leadline.field(w.recordGauge, h('input', { type: 'text', maxlength: 100, value: (leadline.chart.stage && leadline.chart.stage.gauge) || '' }))],
        ], w.recordGo);
        if (!got) return;
        await leadline.attempt(async () => {
            const level = Number(got.level) * leadline.unit().metres;
            await leadline.source.act('stage', { level_m: level, at: got.at, gauge: got.gauge || undefined });
            leadline.say(w.recorded);
            await leadline.refresh();
            leadline.set({ stage: level });
        });
    }

    leadline.sheet('water', (box) => {
        const w = leadline.words.water;
        const { chart } = leadline;
        const read = chart.stage;
        box.append(...[
            chart.blank && h('p', { class: 'bad' }, leadline.plain(chart.blank)),
            (chart.conflicts || []).length > 0 && h('section', { class: 'dispute' }, h('h3', null, w.conflicts), h('ul', null, chart.conflicts.map((c) => h('li', null, leadline.plain(c))))),
            h('p', null, meaning()),
            h('div', { class: 'row' },
                read && leadline.button(w.useReading, () => leadline.set({ stage: read.level_m })),
                leadline.button(w.useDatum, () => leadline.set({ stage: 0 })),
                chart.may_write && leadline.button(w.record, record)),
            h('div', { class: 'pair' }, number('draft', w.draft, w.draftHint), number('room', w.room, w.roomHint)),
            legend(),
            choice('units', ['m', 'ft', 'fm'].map((u) => [u, leadline.words.units[u]]), w.units),
            choice('theme', leadline.themes.map((t) => [t, leadline.words.themes[t]]), w.theme),
            h('p', { class: 'quiet' }, w.datumIs(leadline.plain(chart.survey.datum))),
        ].filter(Boolean));
    });

    leadline.strip = strip;
})();
