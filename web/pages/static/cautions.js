// The cautions that the owner of hot machines must have seen, the same on the
// page and in the terminal.

export const cautions = [
  "Undercroft is not a safety device. It cannot see or smell fire. It needs firmware with working thermal protection on every printer, and a smoke alarm near them.",
  "Printing with nobody in the room is your own risk. Some local codes, leases and insurers forbid it.",
  "Plates at 60 °C and nozzles at 200 °C burn on touch. Moving parts pinch and cut: keep hands out until a printer is still and cool.",
  "Ventilate the room.",
  "Watts and circuits here are estimates for planning, never a statement that a circuit is safe. Local codes and a licensed electrician decide. Do not chain extension leads; uncoil cable reels.",
];
