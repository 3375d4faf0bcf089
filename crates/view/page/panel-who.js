// Who gave what: boats, days and passes on and off, what came in the last meeting, and two choices compared.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { h } = leadline;

    const off = { boats: new Set(), passes: new Set() };
    const span = { from: '', to: '' };
    let totals = null;

    const dayOf = (utc) => String(utc || '').slice(0, 10);

    /** The choice as the program takes it; null when everything is on. */
    function chosen() {
        const { chart } = leadline;
        const given = {};
        const boats = chart.boats.map((b) => b.name).filter((n) => !off.boats.has(n));
        const comma = boats.some((n) => n.includes(','));
        if (off.boats.size && !comma) given.boats = boats.join(',');
        // A comma parts names; a boat whose name has one is asked for by its passes.
        if (off.passes.size || (off.boats.size && comma)) {
            given.passes = chart.passes.filter((p) => !off.passes.has(p.n) && !off.boats.has(p.boat)).map((p) => p.n).join(',');
        }
        if (span.from) given.from = span.from;
        if (span.to) given.to = span.to;
        return Object.keys(given).length ? given : null;
    }

    async function apply() {
        const given = chosen();
        if (given && (given.boats === '' || given.passes === '')) return leadline.say(leadline.words.who.nothing, true);
        await leadline.attempt(async () => {
            const show = given ? (await leadline.source.read('api/show', given)).show : leadline.chart.show || 'all';
            leadline.set({ show });
            leadline.say(given ? leadline.words.who.applied : leadline.words.who.all);
        });
        leadline.sheets.again('who');
        return undefined;
    }

    function everything() {
        off.boats.clear();
        off.passes.clear();
        span.from = span.to = '';
        return apply();
    }

    const toggle = (set, value) => (e) => {
        if (e.target.checked) set.delete(value);
        else set.add(value);
        apply();
    };

    function boats() {
        const w = leadline.words.who;
        return h('ul', { class: 'switches' }, (leadline.chart.boats || []).map((b, i) => {
            const { colour, dash } = leadline.palette.boat(i);
            return h('li', null, h('label', { class: 'switch' },
                h('input', { type: 'checkbox', checked: !off.boats.has(b.name), onchange: toggle(off.boats, b.name), 'data-boat': leadline.plain(b.name) }),
                h('i', { class: 'swatch stroke', style: `border-top:4px ${dash ? (dash[0] < 3 ? 'dotted' : 'dashed') : 'solid'} ${colour}` }),
                h('span', null, leadline.plain(b.name), h('small', null, ` ${w.soundings(b.soundings)}${typeof b.draft_m === 'number' ? ` \u00b7 ${w.transducer(leadline.height(b.draft_m))}` : ''}`))));
        }));
    }

    function days() {
        const w = leadline.words.who;
        const list = leadline.chart.days || [];
        const pick = (name, label) => leadline.field(label, leadline.select([['', w.anyDay], ...list.map((d) => [d, d])], span[name], {
            id: `day-${name}`,
            onchange: (e) => {
                span[name] = e.target.value;
                apply();
            },
        }));
        return h('div', { class: 'pair' }, pick('from', w.from), pick('to', w.to));
    }

    function passes() {
        const w = leadline.words.who;
        const all = leadline.chart.passes || [];
        return h('details', null, h('summary', null, w.passes(all.length)), h('ul', { class: 'switches' }, all.slice(-300).map((p) => h('li', p.fresh ? { class: 'fresh' } : null,
            h('label', { class: 'switch' }, h('input', { type: 'checkbox', checked: !off.passes.has(p.n), onchange: toggle(off.passes, p.n) }),
                h('span', null, `${p.n} \u00b7 ${leadline.plain(p.boat)}`, h('small', null, ` ${leadline.when(p.from_utc)} \u00b7 ${w.soundings(p.soundings)} \u00b7 ${leadline.plain(p.device || '')}${p.fresh ? ` \u00b7 ${w.fresh}` : ''}`)))))));
    }

    /** Two choices of boat and days; what changed between them is drawn. */
    function compare() {
        const w = leadline.words.who;
        const { chart } = leadline;
        const list = [['', w.anyDay], ...(chart.days || []).map((d) => [d, d])];
        const names = [['', w.anyBoat], ...(chart.boats || []).map((b) => [b.name, leadline.plain(b.name)])];
        const side = (id) => [leadline.select(names, '', { id: `${id}-boat` }), leadline.select(list, '', { id: `${id}-from` }), leadline.select(list, '', { id: `${id}-to` })];
        const one = side('one'), two = side('two');
        const group = (title, [boat, from, to]) => h('fieldset', null, h('legend', null, title), leadline.field(w.boat, boat), h('div', { class: 'pair' }, leadline.field(w.from, from), leadline.field(w.to, to)));
        const go = () => leadline.attempt(async () => {
            const data = await leadline.source.read('api/compare', {
                boat: one[0].value, from: one[1].value, to: one[2].value, than_boat: two[0].value, than_from: two[1].value, than_to: two[2].value,
            });
            leadline.overlays.put('change', data);
            totals = data.totals || {};
            leadline.say(w.compared(data.features.filter((f) => f.properties.layer === 'patches').length));
            leadline.sheets.again('who');
        });
        return h('details', { id: 'compare', open: totals !== null }, h('summary', null, w.compare), h('p', null, w.compareHint), group(w.side1, one), group(w.side2, two),
            h('div', { class: 'row' }, leadline.button(w.compareGo, go, { class: 'strong', id: 'compare-go' }), totals && leadline.button(w.compareEnd, () => {
                totals = null;
                leadline.overlays.put('change', null);
                leadline.sheets.again('who');
            })),
            totals && h('div', { id: 'compare-totals' }, leadline.figures(totals)));
    }

    /** Figures of an answer as a list, names in words; what is no figure or text is left away. */
    leadline.pairs = (of) => Object.entries(of).filter(([, v]) => ['number', 'string', 'boolean'].includes(typeof v)).map(([name, v]) => {
        const [words, unit] = leadline.words.figure(name);
        const text = typeof v === 'number' ? `${+v.toFixed(2)}`.replace('-', '\u2212') + (unit ? ` ${unit}` : '') : leadline.plain(v);
        return [h('dt', null, words), h('dd', null, text)];
    });

    /** An answer as nested lists: figures in a list, lists of things as tables. */
    leadline.figures = (of) => {
        const parts = [h('dl', { class: 'totals' }, leadline.pairs(of))];
        for (const [name, value] of Object.entries(of)) {
            if (value && typeof value === 'object' && !Array.isArray(value)) parts.push(h('h4', null, leadline.words.figure(name)[0]), leadline.figures(value));
        }
        return h('div', null, parts);
    };

    /** A pocket chart holds one picture of all: whose it is can be told, not chosen. */
    function told() {
        const w = leadline.words.who;
        return [h('p', { class: 'quiet' }, leadline.words.pocket.who), h('ul', { class: 'cards' }, (leadline.chart.passes || []).slice(-300).map((p) => h('li', null, h('b', null, leadline.plain(p.boat)),
            h('small', null, ` ${leadline.when(p.from_utc)} \u00b7 ${w.soundings(p.soundings)}`))))];
    }

    leadline.sheet('who', (box) => {
        const w = leadline.words.who;
        const { chart } = leadline;
        if (leadline.source.pocket) return box.append(...told());
        const fresh = (chart.passes || []).filter((p) => p.fresh);
        if (fresh.length) {
            box.append(h('p', { class: 'fresh' }, w.freshCame(fresh.length, [...new Set(fresh.map((p) => leadline.plain(p.boat)))].join(', ')), ' ',
                leadline.button(w.freshShow, () => leadline.set({ layers: { ...leadline.state.layers, passes: true, fresh: true } }))));
        }
        box.append(h('h3', null, w.boats), boats(), h('h3', null, w.days), days(), passes());
        if (chosen()) box.append(h('div', { class: 'row' }, leadline.button(w.everything, everything, { id: 'everything' })));
        box.append(compare());
        if ((chart.crew || []).length) {
            box.append(h('h3', null, w.crew), h('ul', { class: 'cards' }, chart.crew.map((c) => h('li', null, h('b', null, leadline.plain(c.name || c.device)), ` ${leadline.plain(c.role)}`,
                c.met_utc && h('small', null, ` \u00b7 ${w.met(leadline.when(c.met_utc))}`)))));
        }
        return undefined;
    });
})();
