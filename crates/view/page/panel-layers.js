// What the map shows, each with what it means.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { h } = leadline;

    const NAMES = ['soundings', 'contours', 'touch', 'loose', 'passes', 'fresh', 'coverage', 'structure', 'marks', 'plan'];
    // What a pocket chart holds.
    const POCKET = ['soundings', 'contours', 'touch', 'loose', 'passes', 'marks'];
    /** How a sample of each is drawn in the legend: a line, a pattern, a sign. */
    const SAMPLES = {
        soundings: ['text', '3\u2084'], contours: ['line', ''], touch: ['hatch', ''], loose: ['dots', ''], passes: ['track', ''],
        fresh: ['cross', ''], coverage: ['rim', ''], structure: ['sign', '\u25b3'], marks: ['sign', '\u2726'], plan: ['course', ''],
    };

    function swatch(name) {
        const [kind, text] = SAMPLES[name];
        return h('i', { class: `swatch ${kind}`, 'aria-hidden': 'true' }, text);
    }

    function row(name) {
        const w = leadline.words.layers;
        const on = name === 'loose' ? leadline.state.layers.loose !== false : Boolean(leadline.state.layers[name]);
        const box = h('input', {
            type: 'checkbox', id: `layer-${name}`, checked: on, 'aria-describedby': `means-${name}`,
            onchange: () => leadline.set({ layers: { ...leadline.state.layers, [name]: box.checked } }),
        });
        return h('li', null,
            h('label', { class: 'switch', for: box.id }, box, swatch(name), h('span', null, w.names[name])),
            h('small', { id: `means-${name}` }, w.means[name]));
    }

    function tint() {
        const w = leadline.words.layers;
        return h('fieldset', { class: 'choice' }, h('legend', null, w.tint),
            ['depth', 'grade', 'tvu', 'none'].map((value) => h('label', null,
                h('input', { type: 'radio', name: 'pick-tint', value, checked: leadline.state.tint === value, onchange: () => leadline.set({ tint: value }) }),
                h('span', null, w.tints[value]))));
    }

    function tintLegend() {
        const { palette, state } = leadline;
        const w = leadline.words.layers;
        const item = (colour, text, kind) => h('li', null, h('i', { class: `swatch ${kind || ''}`, style: `background-color:${palette.css(colour)}` }), text);
        if (state.tint === 'grade') {
            return h('ul', { class: 'legend', id: 'tint-legend' }, ['sure', 'fair', 'loose'].map((g, i) => item(palette.grade(i + 1), w.grades[g], g === 'loose' ? 'hatch' : '')),
                item(palette.grade(0), w.grades.between), item(palette.grade(2), w.grades.disputed, 'hatch-back'));
        }
        if (state.tint === 'tvu') {
            return h('ul', { class: 'legend', id: 'tint-legend' }, palette.TVU.map((top, i) => item(palette.tvu(i), top === Infinity ? w.tvuMore(leadline.height(2)) : w.tvuTo(leadline.height(top)))));
        }
        return h('p', { class: 'quiet', id: 'tint-legend' }, state.tint === 'depth' ? w.depthLegend : w.noTint);
    }

    function boats() {
        const { chart, palette } = leadline;
        if (!leadline.state.layers.passes || !(chart.boats || []).length) return null;
        return h('ul', { class: 'legend' }, chart.boats.map((b, i) => {
            const { colour, dash } = palette.boat(i);
            return h('li', null, h('i', { class: 'swatch stroke', style: `border-top:4px ${dash ? (dash[0] < 3 ? 'dotted' : 'dashed') : 'solid'} ${colour}` }), leadline.plain(b.name));
        }));
    }

    leadline.sheet('layers', (box) => {
        box.append(tint(), tintLegend(), h('ul', { class: 'switches' }, (leadline.source.pocket ? POCKET : NAMES).map(row)), boats() || '');
    });
})();
