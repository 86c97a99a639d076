package main

// cautions is printed by the first serve and shown by the first page. The
// sources of its figures stand in README.md.
const cautions = `Before anything heats or moves:

  - Undercroft is not a safety device. It cannot see or smell fire. It needs
    firmware with working thermal protection at the other end of every link,
    and a smoke alarm near the printers.
  - Printing with nobody in the room is your own risk. Some local codes,
    leases and insurers forbid it.
  - Plates at 60 °C and nozzles at 200 °C burn on touch. Moving parts pinch and
    cut: keep hands out until a printer is still and cool, and take a clearing
    back (undercroft not-yet PRINTER) before you reach in again.
  - Ventilate the room.
  - Watts and circuits here are estimates for planning, never a statement that
    a circuit is safe. Local codes and a licensed electrician decide. Do not
    chain extension leads; uncoil cable reels.
`
