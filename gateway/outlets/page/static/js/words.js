// The engineer's words for what the gateway says in its own, and what each figure means.
export const RUNNING = {
  unknown: "running state unknown", stopped: "stopped", turning: "on the turning gear",
  changing: "speed changing", ahead: "running ahead, steady", astern: "running astern",
};
export const STATE = {
  unacknowledged: "not acknowledged", acknowledged: "acknowledged", returned: "gone back to normal, not acknowledged",
  shelved: "shelved", suppressed: "held back by another alarm", "out-of-service": "out of service", normal: "normal",
};
export const PRIORITY = {
  "emergency-alarm": "Emergency alarm", alarm: "Alarm", warning: "Warning", caution: "Caution",
};
export const LIMIT = {
  "lag-near": "camshaft lag comes near its limit", "lag-limit": "camshaft lag reaches its limit",
  "tension-low": "the chain is slack", "elongation-near": "chain elongation comes near its limit",
  "elongation-limit": "chain elongation reaches its limit", "retighten-due": "retightening is due",
};
export const REACHED = {
  "lag-near": "camshaft lag is near its limit", "lag-limit": "camshaft lag is at its limit", "tension-low": "the chain is slack",
  "elongation-near": "chain elongation is near its limit", "elongation-limit": "chain elongation is at its limit", "retighten-due": "retightening is due",
};
// The graver of a pair says it for both.
export const GRAVER = { "lag-near": "lag-limit", "elongation-near": "elongation-limit" };
export const DO = {
  nothing: "Nothing to do", compensate: "Compensate at the fuel pumps", "re-time": "Re-time the camshaft",
  retighten: "Retighten the chain", "renew-chain": "Renew the chain", "find-fault": "Find the fault",
};
export const AGREE = {
  agree: "Lag and tightener tell of the same wear.", part: "Lag and tightener do not tell of the same wear.",
  unknown: "Whether lag and tightener agree is not known yet.",
};
export const QUALITY = { good: "good", uncertain: "uncertain", bad: "not to be relied on" };

export const HELP = {
  spring_mm: ["Spring length", "mm", "Length of the tightener spring as measured now, averaged over about half a minute while the engine runs steady. It grows as the chain gets longer and the spring follows."],
  compression_mm: ["Compression", "mm", "Free length of the spring, as last measured with no load, less its present length. The manual fixes this figure, not the length. Less compression is a slacker chain."],
  lag_deg: ["Camshaft lag", "° of the crank", "How far the camshaft lies behind its place, counted from when it was last set. Late is +, early is –. A longer chain makes it later; early is never wear."],
  lag_p2p_deg: ["Swing of the lag", "°", "Highest less lowest lag within one turn. It grows with a wheel out of true, with a worn coupling and with torsional vibration."],
  slap_mm: ["Slap", "mm", "Longest less shortest spring length within one turn: how much the slack side dances."],
  tension_n: ["Tightener's share", "N", "Force that the tightener puts on the slack strand at this compression. The strand's own weight and the centrifugal force come on top of it."],
  elongation_percent: ["Chain elongation", "%", "How much longer the chain is than new, from all that is known: lag, tightener, and links measured by hand."],
  by_lag: ["Chain elongation, by the lag", "%", "The same from the lag alone: at the last setting of the camshaft the chain had a known elongation, and each further degree of lag is so much more chain. What other figures say of it is under Now."],
  casing_c: ["Chain casing", "°C", "Temperature of the chain casing. Chain and frame warm at different rates, so limits are judged warm."],
  hours: ["Running hours", "h", "Counted from the crankshaft's turns; lost data lose no hours."],
  rpm: ["Speed", "rpm", "Crankshaft turns a minute; astern is –."],
  since_retightened: ["Since retightening", "h", "Running hours since the chain was last retightened."],
  since_set: ["Since camshaft set", "h", "Running hours since the camshaft was last set."],
  next: ["What comes next", "", "The limit that is reached first if the drive goes on wearing as it has. The first figure is the most likely; the early end is passed in only one of twenty cases, and work is planned by it."],
  lost_motion_deg: ["Lost motion", "°", "Lag ahead less lag astern at the last manoeuvre: the slack of the chain's loop. It needs no zero and no transducer. Tried on simulated drives only so far."],
  cam_loads: ["Cam loads against their own past", "%", "The lag's shape over a turn at this load and speed against the engine's own reference, without the encoders' mounting error, and its change at each cylinder's cam. A fuel pump, combustion, a timing setting or torsion at the same angle look alike: compare the pressures. Tried on simulated drives only so far."],
  shape: ["Lag over one turn", "°", "Lag against crank angle within one working cycle, averaged over about half a minute, counted from its mean. One wave a turn is a wheel out of true; many small ones are tooth or link."],
  orders: ["Orders", "°", "The same in waves per turn: the first order is one wave a turn, and so on."],
  band: ["Spring length and its band", "mm", "The band, shaded, is the lengths between which the compression is as the manual asks; it moves when another free length is booked. Above it the chain is slack, below it too tight. A locked tightener's band is how far it may move."],
};

export const SAFETY = [
  "Engine stopped, starting air shut off, starting gear blocked, turning gear engaged, lubricating oil shut off.",
  "At least 20 minutes after stopping before a crankcase or chain-casing door is opened; longer where the manual says so or an oil-mist alarm was active. Hot spots and oil mist can explode when air enters.",
  "Nobody in the casing while the turning gear moves.",
  "After re-timing with oil pressure in the shrink-fitted couplings, at least 15 minutes for the oil to drain and the grip to return before plugs are refitted.",
  "These times are least times from common practice. The manual and the permit to work decide; no figure on this page is leave to open or to start.",
];
