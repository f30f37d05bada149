// What lies under the pointer, asked of the server: one question at a time, the latest counts.
(() => {
  "use strict";

  const PAUSE_MS = 70;
  const byId = (id) => document.getElementById(id);
  let wanted = null;
  let asking = false;
  let over = false;

  async function question({ place, settings }) {
    const where = new URLSearchParams({ d: settings.disc, v: settings.run_key, x: place.x, y: place.y, s: place.s });
    try {
      const answer = await fetch(`value?${where}&${settings.look}`);
      return answer.ok ? (await answer.json()).text : "";
    } catch {
      return "";
    }
  }

  async function ask() {
    asking = true;
    while (wanted) {
      const now = wanted;
      wanted = null;
      const text = await question(now);
      byId("value").textContent = over ? text : "";
      await new Promise((go) => setTimeout(go, PAUSE_MS));
    }
    asking = false;
  }

  function at(place, site, settings) {
    over = Boolean(place && site && settings);
    wanted = over ? { place, settings } : null;
    if (!over) byId("value").textContent = "";
    else if (!asking) ask();
  }

  window.splendens = window.splendens || {};
  window.splendens.readout = { at };
})();
