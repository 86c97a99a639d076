// Now: what wants hands, every machine with its piece, what comes next.

import { keyed, show } from "./dom.js";
import { shell } from "./shell.js";
import { bay } from "./bay.js";
import { hands } from "./hands.js";
import { queue } from "./queue.js";
import { circuits, hours } from "./house.js";
import { files } from "./files.js";

const asks = hands();
const parts = [asks, queue(), circuits(), hours(), files()];
const arcade = document.getElementById("arcade");
let bays = new Map();

shell({
  update(view) {
    bays = keyed(arcade, view.printers, (p) => p.name, bay);
    show(document.getElementById("arcade-empty"), view.printers.length === 0);
    for (const p of parts) p.update(view);
  },
  tick() {
    for (const b of bays.values()) b.tick();
    asks.tick();
  },
  stale: asks.stale,
});
