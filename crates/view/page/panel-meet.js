// Meeting the crew: who is near, start, what moved; and an invite to scan.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { h } = leadline;

    let meet = null;
    let invite = null;
    let asking = 0;

    async function look() {
        try {
            meet = await leadline.source.read('api/meet');
        } catch (error) {
            meet = { near: [], why_not: leadline.refusal(error) };
        }
        leadline.sheets.again('meet');
    }

    leadline.on('meet', (heard) => {
        meet = heard;
        leadline.sheets.again('meet');
        if (heard.moved && !heard.running) leadline.say(leadline.words.meet.ended);
    });
    leadline.on('closed', (name) => name === 'meet' && clearInterval(asking));

    const start = () => leadline.attempt(async () => {
        meet = await leadline.source.act('meet', {});
        leadline.say(leadline.words.meet.begun);
        look();
    });

    async function makeInvite() {
        const w = leadline.words.meet;
        const got = await leadline.ask(w.invite, [['role', leadline.field(w.role, leadline.select(Object.entries(w.roles), 'contributor'))]], w.inviteGo, w.inviteNote);
        if (!got) return;
        await leadline.attempt(async () => {
            invite = await leadline.source.act('invite', { role: got.role });
            leadline.sheets.again('meet');
        });
    }

    /** The picture is shown as an image, so that nothing in it can run. */
    function invitePicture() {
        if (!invite) return null;
        const w = leadline.words.meet;
        return h('section', { class: 'invite' }, h('h3', null, w.scan),
            invite.qr_svg && h('img', { src: `data:image/svg+xml;base64,${btoa(unescape(encodeURIComponent(invite.qr_svg)))}`, alt: w.qrAlt, class: 'qr' }),
            h('textarea', { readonly: true, rows: 4, 'aria-label': w.inviteText, onfocus: (e) => e.target.select() }, invite.text || ''),
            h('p', null, w.expires(leadline.when(invite.expires_utc))),
            leadline.button(w.inviteHide, () => {
                invite = null;
                leadline.sheets.again('meet');
            }));
    }

    leadline.sheet('meet', (box) => {
        const w = leadline.words.meet;
        if (leadline.source.pocket) return box.append(h('p', null, leadline.words.pocket.acts));
        if (!meet) {
            look();
            return box.append(h('p', null, w.looking));
        }
        const near = meet.near || [];
        box.append(h('h3', null, w.near));
        if (meet.why_not) box.append(h('p', { class: 'quiet', id: 'meet-why' }, leadline.plain(meet.why_not)));
        box.append(near.length
            ? h('ul', { class: 'cards' }, near.map((n) => h('li', null, h('b', null, leadline.plain(n.name || n.device)), ` ${leadline.plain(n.state || '')}`, n.why && h('small', null, ` ${leadline.plain(n.why)}`))))
            : h('p', null, w.nobody));
        if (meet.running) box.append(h('p', { class: 'running' }, w.running), h('progress', { 'aria-label': w.running }));
        if (meet.moved) box.append(h('h3', null, w.moved), h('dl', { class: 'totals' }, leadline.pairs(meet.moved)));
        box.append(h('div', { class: 'row' },
            leadline.chart.may_write && leadline.button(w.start, start, { class: 'strong', id: 'meet-start', disabled: Boolean(meet.running) }),
            leadline.button(w.again, look),
            leadline.chart.may_write && leadline.button(w.invite, makeInvite, { id: 'invite' })), invitePicture() || '');
        return undefined;
    });
})();
