// Words for what the gateway publishes in its own, and what each figure means.
export const RUNNING = {
  unknown: "running state unknown", stopped: "stopped", turning: "on the turning gear",
  changing: "speed changing", ahead: "running ahead, steady", astern: "running astern",
};
// The state tile: its word, and the shape that stands for it without colour.
export const TILE = {
  normal: "NORMAL", caution: "CAUTION", warning: "WARNING", alarm: "ALARM", "emergency-alarm": "EMERGENCY ALARM",
  "no-data": "NO DATA", "not-judged": "NOT JUDGED",
};
export const SHAPE = {
  "emergency-alarm": "M12 1l10 6v10l-10 6-10-6v-10z", alarm: "M12 1.5l11.5 21h-23z", warning: "M12 1.5a10.5 10.5 0 1 0 .01 0z",
  caution: "M2.5 2.5h19v19h-19z", normal: "M1 13l4-4 5 5 9.5-10.5 3.5 3.5-13 14.5z",
  "no-data": "M4.5 1.5l7.5 7.5 7.5-7.5 3 3-7.5 7.5 7.5 7.5-3 3-7.5-7.5-7.5 7.5-3-3 7.5-7.5-7.5-7.5z",
  "not-judged": "M2 9h20v6h-20z",
};
// A sign of exclamation in those that call.
export const MARK = {
  alarm: "M10.8 9h2.4l-.4 7.5h-1.6zM10.8 18.2h2.4v2.4h-2.4z", warning: "M10.6 6h2.8l-.5 8h-1.8zM10.7 16h2.6v2.6h-2.6z",
};
export const STATE = {
  unacknowledged: "not acknowledged", acknowledged: "acknowledged", returned: "returned to normal, not acknowledged",
  shelved: "shelved", suppressed: "suppressed", "out-of-service": "out of service", normal: "normal",
};
export const PRIORITY = {
  "emergency-alarm": "Emergency alarm", alarm: "Alarm", warning: "Warning", caution: "Caution",
};
export const LIMIT = {
  "lag-near": "camshaft lag reaches its warning limit", "lag-limit": "camshaft lag reaches its limit",
  "tension-low": "the chain is slack", "elongation-near": "chain elongation reaches its warning limit",
  "elongation-limit": "chain elongation reaches its limit", "retighten-due": "retightening is due",
};
export const REACHED = {
  "lag-near": "camshaft lag is above its warning limit", "lag-limit": "camshaft lag is at its limit", "tension-low": "the chain is slack",
  "elongation-near": "chain elongation is above its warning limit", "elongation-limit": "chain elongation is at its limit", "retighten-due": "retightening is due",
};
// The graver of a pair stands for both.
export const GRAVER = { "lag-near": "lag-limit", "elongation-near": "elongation-limit" };
export const DO = {
  nothing: "Nothing to do", compensate: "Compensation at the fuel pumps", "re-time": "Re-time the camshaft",
  retighten: "Retighten the chain", "renew-chain": "Renew the chain", "find-fault": "Find the fault",
};
export const AGREE = {
  agree: "Lag and tightener agree.", part: "Lag and tightener do not agree.",
  unknown: "Whether lag and tightener agree is not known yet.",
};
export const QUALITY = { good: "Sensor OK", uncertain: "Sensor uncertain", bad: "Sensor not reliable" };

export const HELP = {
  spring_mm: ["Spring length", "mm", "Length of the tightener spring as measured now, averaged over about half a minute while the engine runs steady. It grows as the chain gets longer and the spring follows."],
  compression_mm: ["Compression", "mm", "Free length of the spring, as last measured with no load, less its present length. The manual fixes this figure, not the length. Less compression is a slacker chain."],
  lag_deg: ["Camshaft lag", "° of the crank", "How far the camshaft lies behind its place, counted from when it was last set. Late is +, early is –. A longer chain makes it later; early is never wear."],
  lag_p2p_deg: ["Variation per turn", "°", "Highest less lowest lag within one turn. It grows with a wheel out of true, with a worn coupling and with torsional vibration."],
  slap_mm: ["Slap", "mm", "Longest less shortest spring length within one turn: how much the slack side moves."],
  tension_n: ["Tightener's share", "N", "Force that the tightener puts on the slack strand at this compression. The strand's own weight and the centrifugal force come on top of it."],
  elongation_percent: ["Chain elongation", "%", "How much longer the chain is than new, from all that is known: lag, tightener, and links measured by hand."],
  by_lag: ["Chain elongation, by the lag", "%", "The same from the lag alone. At the last setting of the camshaft the chain had a known elongation. Each further degree of lag is so much more chain. What other figures give is under Now."],
  casing_c: ["Chain casing", "°C", "Temperature of the chain casing. Chain and frame warm at different rates, so limits are judged warm."],
  load_percent: ["Load", "%", "Fuel index, from 0 to 100 %."],
  hours: ["Running hours", "h", "Counted from the crankshaft's turns; lost data lose no hours."],
  rpm: ["Speed", "rpm", "Crankshaft turns a minute; astern is –."],
  since_retightened: ["Since retightening", "h", "Running hours since the chain was last retightened."],
  since_set: ["Since camshaft set", "h", "Running hours since the camshaft was last set."],
  next: ["What comes next", "", "The limit that is reached first if the drive goes on wearing as it has. The first figure is the most likely; the earliest is passed in only one of twenty cases: plan the work by it."],
  lost_motion_deg: ["Lost motion", "°", "Lag ahead less lag astern at the last manoeuvre: the slack of the chain's loop. It needs no zero and no transducer. Tried on simulated drives only so far. A ship must show first that it repeats from one manoeuvre to the next. Its growth between two retightenings must agree with the lag and with links measured by hand."],
  cam_loads: ["Cam loads against their own past", "%", "The lag's shape over a turn at this load and speed against the engine's own reference, without the encoders' mounting error. Its change is shown at each cylinder's cam. A fuel pump, combustion, a timing setting or torsion at the same angle look alike: compare the pressures. Tried on simulated drives only so far. A ship must show first that the shape repeats at like load and speed, and that pressures agree with the cylinder that is named."],
  shape: ["Lag over one turn", "°", "Lag against crank angle within one working cycle, averaged over about half a minute, counted from its mean. One wave a turn is a wheel out of true; many small ones are tooth or link."],
  orders: ["Orders", "°", "The same in waves per turn: the first order is one wave a turn, and so on."],
  band: ["Spring length and its band", "mm", "The band, shaded, is the lengths between which the compression is as the manual asks; it moves when another free length is booked. Above it the chain is slack, below it too tight. A locked tightener's band is how far it may move."],
};

export const SAFETY = [
  "Engine stopped, starting air shut off, starting gear blocked, turning gear engaged, lubricating oil shut off.",
  "A minimum of 20 minutes after stopping before a crankcase or chain-casing door is opened. Wait longer where the manual requires it or an oil-mist alarm was active. Hot spots and oil mist can explode when air enters.",
  "Nobody in the casing while the turning gear moves.",
  "After re-timing with oil pressure in the shrink-fitted couplings: a minimum of 15 minutes before plugs are refitted. The oil must drain and the grip return.",
  "These times are least times from common practice. The manual and the permit to work decide; no figure on this page is permission to open or to start.",
];
