// Checks what is being typed into the forms that know how to.
"use strict";

(() => {
	function after(ms, f) {
		let t;
		return () => { clearTimeout(t); t = setTimeout(f, ms); };
	}

	// The next starts of a night.
	const when = document.getElementById("when");
	if (when) {
		const cron = document.getElementById("cron"), zone = document.getElementById("zone");
		const ask = after(400, async () => {
			const got = await fetch(when.dataset.ask + "?" + new URLSearchParams({cron: cron.value, zone: zone.value}));
			if (got.ok) when.innerHTML = await got.text();
		});
		cron.addEventListener("input", ask);
		zone.addEventListener("input", ask);
	}

	// What is wrong with a file, and the way to it.
	const found = document.getElementById("found"), text = document.getElementById("text");
	if (!found || !text) return;
	const form = text.form;
	const reveal = () => found.querySelectorAll(".goto").forEach((b) => { b.hidden = false; });
	reveal();
	found.addEventListener("click", (e) => {
		const b = e.target.closest(".goto");
		if (!b) return;
		const lines = text.value.split("\n"), n = Math.min(lines.length, Number(b.dataset.line));
		const at = lines.slice(0, n - 1).reduce((sum, l) => sum + l.length + 1, 0);
		text.focus();
		text.setSelectionRange(at, at + lines[n - 1].length);
		text.scrollTop = Math.max(0, (n - 4) * parseFloat(getComputedStyle(text).lineHeight));
	});
	let asked = 0;
	text.addEventListener("input", after(700, async () => {
		const mine = ++asked;
		const got = await fetch(form.dataset.check, {method: "POST", headers: {Accept: "text/x-part"}, body: new URLSearchParams(new FormData(form))});
		if (!got.ok || mine !== asked) return;
		found.innerHTML = await got.text();
		reveal();
	}));
})();
