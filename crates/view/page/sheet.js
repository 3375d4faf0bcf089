// The six sheets and the one that is open: at the foot on a phone held upright, at the side where there is room.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { h } = leadline;
    const sheets = {};
    let open = null;

    /** A part of the page adds its sheet: `fill(box)` writes what is in it. */
    leadline.sheet = (name, fill) => (sheets[name] = { fill });

    leadline.sheets = {
        make() {
            const w = leadline.words.tabs;
            const tabs = document.getElementById('tabs');
            tabs.setAttribute('aria-label', w.label);
            for (const name of Object.keys(w.names)) {
                const tab = leadline.button(w.names[name], () => (open === name ? close(true) : show(name)), {
                    role: 'tab', id: `tab-${name}`, 'aria-controls': 'sheet', 'aria-selected': 'false',
                });
                tabs.append(tab);
                sheets[name].tab = tab;
            }
            tabs.addEventListener('keydown', move);
            document.addEventListener('keydown', (e) => {
                if (e.key === 'Escape' && open && !document.querySelector('dialog[open]')) close(true);
            });
        },
        show,
        close,
        /** Writes the open sheet anew if it is one of these. */
        again: (...names) => open && (!names.length || names.includes(open)) && write(open),
        open: () => open,
    };

    function move(e) {
        const step = { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 1, ArrowUp: -1 }[e.key];
        if (!step) return;
        const all = [...e.currentTarget.children];
        const at = all.indexOf(document.activeElement);
        all[(at + step + all.length) % all.length].focus();
        e.preventDefault();
    }

    function show(name, focus = true) {
        open = name;
        for (const [n, s] of Object.entries(sheets)) s.tab && s.tab.setAttribute('aria-selected', String(n === name));
        const box = document.getElementById('sheet');
        box.hidden = false;
        box.setAttribute('aria-labelledby', `tab-${name}`);
        document.body.classList.add('sheet-open');
        write(name);
        box.scrollTop = 0;
        if (focus) box.focus({ preventScroll: true });
        leadline.map && leadline.map.updateSize();
    }

    function write(name) {
        const box = document.getElementById('sheet');
        const scroll = box.scrollTop;
        const inside = h('div', { class: `inside ${name}` });
        box.replaceChildren(
            h('header', null, h('h2', null, leadline.words.tabs.titles[name]), leadline.button(leadline.words.close, () => close(true), { class: 'close' })),
            inside,
        );
        sheets[name].fill(inside);
        box.scrollTop = scroll;
    }

    function close(back) {
        const was = open;
        open = null;
        document.getElementById('sheet').hidden = true;
        document.body.classList.remove('sheet-open');
        if (was) {
            sheets[was].tab.setAttribute('aria-selected', 'false');
            if (back) sheets[was].tab.focus();
        }
        leadline.map && leadline.map.updateSize();
        leadline.tell('closed', was);
    }

    /** Asks in a dialogue; answers the fields' values, or null when it is left. `fields` are [name, element of leadline.field]. */
    leadline.ask = (title, fields, go, note) =>
        new Promise((done) => {
            const box = document.getElementById('ask');
            const form = h('form', { method: 'dialog' },
                h('h2', { id: 'ask-title' }, title), note && h('p', null, note), fields.map(([, f]) => f),
                h('div', { class: 'row' }, h('button', { value: 'go', class: 'strong' }, go),
                    h('button', { type: 'button', onclick: () => box.close('') }, leadline.words.cancel)));
            box.setAttribute('aria-labelledby', 'ask-title');
            box.replaceChildren(form);
            box.onclose = () => {
                if (box.returnValue !== 'go') return done(null);
                const got = {};
                for (const [name, f] of fields) {
                    const input = f.querySelector('input,select,textarea');
                    got[name] = input.type === 'checkbox' ? input.checked : input.value;
                }
                done(got);
            };
            box.returnValue = '';
            box.showModal();
        });
})();
