/* The periodic steady state of one operating point after the other, compiled.

   This is the solver of _approach.py, _settle.py, _shooting.py, _period.py, _grid.py, _contacts.py
   and _measures.py for a batch of one point: the same steps, rounds and limits, which are handed
   over as `Rules`, so that both give the same answers. What a function computes and why is said
   there, under the same name. Networks come from _network.py, one flat block of doubles each.

   Rows of pairs of modes are [real parts, imaginary parts, real modes]; matrices are row-major. With
   the derivative every row has K columns, the first being the state, the others what it changes by
   with each coordinate of the start. Plain C99 without complex numbers, which not every compiler has. */

#include <math.h>
#include <stdlib.h>
#include <string.h>

#ifdef _WIN32
#define SHARED __declspec(dllexport)
#else
#define SHARED __attribute__((visibility("default")))
#endif
#ifdef __GNUC__
#define ALWAYS static inline __attribute__((always_inline))
#else
#define ALWAYS static inline
#endif

#ifndef SOURCE
#define SOURCE "" /* the SHA-256 of this file, from the build */
#endif

#define SLOTS 10
#define HEADS 3 /* parts into which beginning and end of a contact are cut */
#define TAILS 3
#define ZONES (4 + 2 * SLOTS * (4 + HEADS + TAILS))
#define SHARES 64 /* nodes of the first step after turn-on at most */
#define NOTHING (-1e4)
#define MOST_DOUBLES 40000000 /* a period of some seconds; a point that wants more is not solved */

enum { ON, OFF, CLAMP };
enum { NO_MEMORY = 1, UNFIT }; /* why a point failed; no sane number of steps makes its period */
enum { DRAIN, NODE, FLOW, SLOW }; /* what is seen of the states: these, then the slow ones */

typedef struct {
    double longest_s, part, clamp_s, first[HEADS], last[TAILS], ring;
} Cut;

typedef struct {
    Cut fine, coarse;
    double on_s, off_s, ring_angle[2], touch_angle, clamp_parts, careful_parts, entry_s;
    double taking_over[HEADS], letting_go[TAILS], most_first[HEADS], most_last[TAILS], shortest_s;
    double shortest_zone_s, letting_go_s, ring_decays, decay_part, turn_on_parts;
    double early, shortest_contact_s, any_v, gap_s, hunting_s, halves, end_counts, most_s;
    double rounds, chords_coarse, limit_coarse, near, near_s, fresh;
    double chords, chord_tolerance, trusting, tries, moved_s, late_moved_s, late_far_s, missed_vs;
    double strain_v, residual, beside, rough_rounds, rough_chords, rough;
    double tolerance, passes, leaks, halvings;
    double turn_ons, turn_on[SHARES];
} Rules;

typedef struct {
    int sign; /* which diode conducts, -1 or 1; 0: the voltage decides */
    double per_volt[2], constant[2], scale_a[2], shift_a[2], conductance[2];
} Law;

typedef struct {
    int pairs, modes, rows;
    const double *re, *im, *to_modes, *from_modes, *rest, *in_re, *in_im, *sense, *sense_rest;
    double *view, *slope, *push; /* [seen][rows], [seen][rows], [seen][ports] */
} Phase;

typedef struct {
    int kind, steps, drain, fine, held, constant, ports;
    double step_s, hold_v, gain, grip_ohm;
    double *cosine, *sine, *start, *end, *carry, *rest, *sense_rest; /* responses [ports][rows] */
    Law *rule, entry;
    size_t node; /* of its first node in the trace */
} Zone;

typedef struct {
    int early, count;
    double begin[2 * SLOTS], end[2 * SLOTS], hold[2 * SLOTS];
} Contacts;

typedef struct {
    double *at;
    size_t room;
} Buffer;

typedef struct {
    const Rules *rules;
    int n, ports, receivers, lamps, loop, seen, wide, failed;
    const int *lamp;
    Phase phase[3];
    const double *pull, *pull_sense, *grip_s, *hold_v, *touch_v, *loop_h, *sway, *laws;
    const double *physical, *energy, *port_sense, *tuned, *ring_s, *decay_s;
    const double *supply_v, *supply_ohm, *on_ohm, *damping_ohm, *receiver;
    double frequency_hz, duty;
    int zones, samples;
    Zone zone[ZONES];
    Law *law;
    Buffer coefficients, rows, currents, nodes, node_currents, glance, slow;
    double *columns, *one, *two, *port, *volts, *states, *mix, *grown;
    double *state, *finish, *step, *ahead, *inverse, *derivative, *square, *base, *base_end, *trial;
} Work;

static double *room(Work *w, Buffer *buffer, size_t doubles) {
    if (doubles > MOST_DOUBLES) w->failed = UNFIT;
    if (w->failed) return NULL;
    if (buffer->room < doubles) {
        double *wider = realloc(buffer->at, 2 * doubles * sizeof(double));
        if (!wider) {
            w->failed = NO_MEMORY;
            return NULL;
        }
        buffer->at = wider;
        buffer->room = 2 * doubles;
    }
    return buffer->at;
}

static double least(double a, double b) { return a < b ? a : b; }
static double most(double a, double b) { return a > b ? a : b; }

/* Wright omega function of a real number: w + ln w = x (P. W. Lawrence, R. M. Corless, D. J. Jeffrey,
   ACM Trans. Math. Softw. 38(3) 20, 2012). */
ALWAYS double wright_omega(double x) {
    double w, r, next, part;
    if (x < -50) return exp(x);
    if (x < -2) {
        w = exp(x);
        r = -w;
    } else {
        if (x < 1) {
            w = exp(2 * (x - 1) / 3);
        } else {
            w = log(x);
            w = x - w + w / x;
        }
        r = x - w - log(w);
    }
    for (int turn = 0; turn < 2; turn++) {
        next = w + 1;
        part = 2 * next * (next + 2 * r / 3);
        double done = fabs((2 * w * w - 8 * w - 1) * r * r * r * r);
        w *= 1 + r / next * (part - r) / (part - 2 * r);
        if (done < 72 * 2.2e-16 * next * next * next * next * next * next) break;
        r = x - w - log(w);
    }
    return w;
}

/* Law of a port behind a source resistance. */
static Law law(const Work *w, int port, double source_ohm, int sign) {
    Law out = {sign, {0}, {0}, {0}, {0}, {0}};
    for (int side = 0; side < 2; side++) {
        const double *at = w->laws + side * w->ports + port;
        int next = 2 * w->ports, lamp = port < w->lamps;
        double thermal = at[0], saturation = at[next], shift = at[2 * next];
        double ohm = at[3 * next], offset = at[4 * next], total = most(ohm + source_ohm, 1e-9);
        out.scale_a[side] = thermal / total;
        out.shift_a[side] = saturation * shift;
        out.conductance[side] = 1 / total;
        if (isinf(offset)) {
            out.constant[side] = NOTHING;
        } else if (side && lamp) {
            out.per_volt[1] = out.per_volt[0];
            out.constant[1] = out.constant[0];
        } else {
            out.per_volt[side] = 1 / thermal;
            out.constant[side] = (total * saturation * shift - offset) / thermal +
                                 log(total * saturation / thermal);
        }
    }
    return out;
}

/* Current out of a port and its slope at an open-circuit voltage. */
ALWAYS double conduct(const Law *rule, double volt, double *slope) {
    int toward = rule->sign ? rule->sign : volt < 0 ? -1 : 1, side = toward > 0;
    double w = wright_omega(toward * volt * rule->per_volt[side] + rule->constant[side]);
    *slope = -rule->conductance[side] * (w / (1 + w));
    return -toward * (rule->scale_a[side] * w - rule->shift_a[side]);
}

/* ---- matrices ---- */

ALWAYS void multiply(const double *m, int rows, int inner, const double *x, int K, double *out) {
    for (int r = 0; r < rows; r++) {
        double *restrict to = out + (size_t)r * K;
        for (int k = 0; k < K; k++) to[k] = 0;
        for (int c = 0; c < inner; c++) {
            double factor = m[r * inner + c];
            const double *from = x + (size_t)c * K;
            for (int k = 0; k < K; k++) to[k] += factor * from[k];
        }
    }
}

static double dot(const double *a, const double *b, int count) {
    double sum = 0;
    for (int i = 0; i < count; i++) sum += a[i] * b[i];
    return sum;
}

static double norm(const double *a, const double *less, int count) {
    double sum = 0;
    for (int i = 0; i < count; i++) {
        double part = a[i] - (less ? less[i] : 0);
        sum += part * part;
    }
    return sqrt(sum);
}

/* Inverse of 1 - derivative, by Gauss and Jordan with a choice of pivots. */
static void invert(Work *w, const double *derivative, double *inverse) {
    int n = w->n;
    double *a = w->square;
    for (int i = 0; i < n * n; i++) {
        inverse[i] = i % (n + 1) == 0;
        a[i] = inverse[i] - derivative[i];
    }
    for (int column = 0; column < n; column++) {
        int best = column;
        for (int r = column + 1; r < n; r++)
            if (fabs(a[r * n + column]) > fabs(a[best * n + column])) best = r;
        if (best != column)
            for (int k = 0; k < n; k++) {
                double swap = a[best * n + k];
                a[best * n + k] = a[column * n + k], a[column * n + k] = swap;
                swap = inverse[best * n + k];
                inverse[best * n + k] = inverse[column * n + k], inverse[column * n + k] = swap;
            }
        double factor = 1 / a[column * n + column];
        for (int k = 0; k < n; k++) a[column * n + k] *= factor, inverse[column * n + k] *= factor;
        for (int r = 0; r < n; r++) {
            factor = a[r * n + column];
            if (r == column || factor == 0) continue;
            for (int k = 0; k < n; k++) {
                a[r * n + k] -= factor * a[column * n + k];
                inverse[r * n + k] -= factor * inverse[column * n + k];
            }
        }
    }
}

/* ---- _grid.py ---- */

static int count_steps(double span, double longest, double fewest) {
    return (int)least(most(fewest, ceil(span / longest - 1e-9)), MOST_DOUBLES);
}

static Zone *add_zone(Work *w, int kind, int steps, double span, int drain, int fine) {
    if (!(span / steps > w->rules->shortest_s) || w->zones == ZONES) return NULL;
    Zone *zone = &w->zone[w->zones++];
    zone->kind = kind, zone->steps = steps, zone->step_s = span / steps;
    zone->drain = drain, zone->fine = fine, zone->held = 0, zone->constant = 1;
    return zone;
}

static void add_open(Work *w, int kind, double span, double longest, int fine) {
    span = most(span, 0);
    add_zone(w, kind, count_steps(span, longest, 1), span, 0, fine);
}

static void add_ringing(Work *w, double span, double longest, double angle) {
    const Rules *rules = w->rules;
    double ring_s = *w->ring_s, decay_s = *w->decay_s;
    span = most(span, 0);
    if (ring_s > 0) {
        double ring = rules->ring_decays * most(decay_s, 2 * ring_s * ring_s / decay_s);
        ring = least(ring, span);
        int steps = count_steps(ring, longest, 1);
        double part = least(angle * ring_s, rules->decay_part * decay_s);
        add_zone(w, OFF, steps, ring, 0, (int)least(most(1, ceil(ring / steps / part)), MOST_DOUBLES));
        span -= ring;
    }
    add_open(w, OFF, span, longest, 1);
}

static void add_clamp(Work *w, double span, double hold, const Cut *cut, double fewest, int first) {
    const Rules *rules = w->rules;
    if (!first && !(span > rules->shortest_s)) return;
    int steps = first ? 1 : count_steps(span, cut->clamp_s, fewest);
    Zone *zone = add_zone(w, CLAMP, steps, span, 1, (int)rules->clamp_parts);
    if (zone) zone->held = 1, zone->hold_v = hold, zone->constant = first;
}

static void add_contact(Work *w, double span, double hold, const Cut *cut) {
    const Rules *rules = w->rules;
    if (span < rules->shortest_zone_s) return;
    double entry = least(rules->entry_s, span / 10), left = span - entry, heads = 0, tails[TAILS + 1] = {0};
    double unit = *w->ring_s > 0 ? *w->ring_s : rules->letting_go_s;
    add_clamp(w, entry, hold, cut, 1, 1);
    for (int i = 0; i < HEADS; i++) {
        double head = least(rules->taking_over[i] * unit, rules->most_first[i] * left);
        add_clamp(w, head, hold, cut, cut->first[i], 0);
        heads += head;
    }
    for (int i = 0; i < TAILS; i++)
        tails[i] = least(rules->letting_go[i] * unit, rules->most_last[i] * left);
    add_clamp(w, left - heads - tails[0], hold, cut, 1, 0);
    for (int i = 0; i < TAILS; i++) add_clamp(w, tails[i] - tails[i + 1], hold, cut, cut->last[i], 0);
}

static void build_steppers(Work *w);

static void contact_zones(Work *w, const Contacts *contacts, const Cut *cut) {
    double off = (1 - w->duty) / w->frequency_hz, now = 0;
    double longest = least(cut->longest_s, cut->part / w->frequency_hz);
    w->zones = 0;
    add_open(w, ON, w->duty / w->frequency_hz, longest, (int)w->rules->turn_on_parts);
    for (int slot = 0; slot < contacts->count; slot++) {
        add_ringing(w, contacts->begin[slot] - now, longest, cut->ring);
        add_contact(w, contacts->end[slot] - contacts->begin[slot], contacts->hold[slot], cut);
        now = contacts->end[slot];
    }
    add_ringing(w, off - now, longest, cut->ring);
    build_steppers(w);
}

static void careful_zones(Work *w) {
    const Rules *rules = w->rules;
    double on = w->duty / w->frequency_hz, off = (1 - w->duty) / w->frequency_hz;
    double ring = *w->ring_s, spans[3] = {off, 0, 0}, longest[3] = {rules->off_s, 1, 1};
    int fine = (int)rules->careful_parts;
    w->zones = 0;
    add_zone(w, ON, count_steps(on, rules->on_s, 4), on, 1, fine);
    if (ring > 0) {
        spans[0] = least(7 * ring, off / 4);
        spans[1] = least(6 * *w->decay_s, 0.9 * (off - spans[0]));
        spans[2] = off - spans[0] - spans[1];
        longest[0] = rules->ring_angle[0] * ring, longest[1] = rules->ring_angle[1] * ring;
        longest[2] = least(rules->off_s, rules->touch_angle * ring);
    }
    for (int i = 0; i < (ring > 0 ? 3 : 1); i++)
        add_zone(w, OFF, count_steps(spans[i], longest[i], 4), spans[i], 1, fine);
    build_steppers(w);
}

/* ---- _period.py ---- */

/* Growth of a mode over a time, and its response to currents at start and end of a step. */
typedef struct {
    double re, im, start_re, start_im, end_re, end_im;
} Growth;

static Growth growth(double rate_re, double rate_im, double span) {
    Growth g;
    double x = rate_re * span, y = rate_im * span, square = x * x + y * y;
    double size = exp(x), mean_re, mean_im, ramp_re, ramp_im;
    g.re = y == 0 ? size : size * cos(y);
    g.im = y == 0 ? 0 : size * sin(y);
    if (square < 1e-8) {
        mean_re = 1 + x / 2, mean_im = y / 2, ramp_re = 0.5 + x / 6, ramp_im = y / 6;
    } else {
        double a = g.re - 1, b = g.im;
        mean_re = (a * x + b * y) / square, mean_im = (b * x - a * y) / square;
        a = mean_re - 1, b = mean_im;
        ramp_re = (a * x + b * y) / square, ramp_im = (b * x - a * y) / square;
    }
    g.start_re = span * (mean_re - ramp_re), g.start_im = span * (mean_im - ramp_im);
    g.end_re = span * ramp_re, g.end_im = span * ramp_im;
    return g;
}

static int row_of(const Phase *phase, int mode) {
    return mode < phase->pairs ? mode : mode + phase->pairs;
}

static void set_mode(const Phase *phase, double *rows, int mode, double re, double im) {
    rows[row_of(phase, mode)] = re;
    if (mode < phase->pairs) rows[mode + phase->pairs] = im;
}

/* Response of the rows of all ports (ports, rows) at a time after the start of a step. */
static void respond(const Work *w, const Phase *phase, int mode, Growth g, int constant,
                    double *start, double *end, double *carry) {
    for (int port = 0; port < w->ports; port++) {
        double a = phase->in_re[mode * w->ports + port], b = phase->in_im[mode * w->ports + port];
        double s_re = a * g.start_re - b * g.start_im, s_im = a * g.start_im + b * g.start_re;
        double e_re = a * g.end_re - b * g.end_im, e_im = a * g.end_im + b * g.end_re;
        int at = port * phase->rows;
        if (constant && port == w->ports - 1) e_re += s_re, e_im += s_im, s_re = s_im = 0;
        set_mode(phase, start + at, mode, s_re, s_im);
        set_mode(phase, end + at, mode, e_re, e_im);
        if (carry)
            set_mode(phase, carry + at, mode, g.re * e_re - g.im * e_im + s_re,
                     g.re * e_im + g.im * e_re + s_im);
    }
}

static void stepper(Work *w, Zone *zone) {
    const Phase *phase = &w->phase[zone->kind];
    int rows = phase->rows, last = w->ports - 1;
    zone->ports = zone->drain ? w->ports : last;
    for (int mode = 0; mode < phase->modes; mode++) {
        Growth g = growth(phase->re[mode], phase->im[mode], zone->step_s);
        set_mode(phase, zone->cosine, mode, g.re, g.re);
        if (mode < phase->pairs) zone->sine[mode] = g.im;
        respond(w, phase, mode, g, zone->constant, zone->start, zone->end, zone->carry);
    }
    double hold = zone->held ? zone->hold_v : 0;
    int sign = hold < 0 ? -1 : hold > 0;
    for (int i = 0; i < w->n; i++) zone->rest[i] = phase->rest[i] + w->pull[i] * hold;
    for (int port = 0; port < zone->ports; port++) {
        double ohm = most(dot(phase->sense + port * rows, zone->end + port * rows, rows), 0);
        zone->sense_rest[port] = phase->sense_rest[port] + w->pull_sense[port] * hold;
        if (zone->held && port == last) {
            zone->gain = 1 / most(1 - ohm * *w->grip_s, 1e-9);
            zone->grip_ohm = ohm *= zone->gain;
        }
        zone->rule[port] = law(w, port, ohm, port == last ? sign : 0);
    }
    if (zone->held && zone->constant) zone->entry = law(w, last, 0, sign);
}

static void build_steppers(Work *w) {
    int wide = w->wide;
    size_t each = (size_t)wide * (2 + 3 * w->ports) + w->n + w->ports, nodes = 0;
    double *at = room(w, &w->coefficients, ZONES * each);
    if (!w->zones) w->failed = UNFIT;
    for (int i = 0; i < w->zones && !w->failed; i++) {
        Zone *zone = &w->zone[i];
        zone->cosine = at + i * each, zone->sine = zone->cosine + wide;
        zone->start = zone->sine + wide, zone->end = zone->start + wide * w->ports;
        zone->carry = zone->end + wide * w->ports, zone->rest = zone->carry + wide * w->ports;
        zone->sense_rest = zone->rest + w->n, zone->rule = w->law + i * w->ports;
        zone->node = nodes;
        nodes += zone->steps + 1;
        stepper(w, zone);
    }
    room(w, &w->rows, nodes * wide);
    room(w, &w->currents, nodes * w->ports);
}

/* Rows one step later, pushed by port currents. */
ALWAYS void advance_rows(const Zone *zone, const Phase *phase, const double *rows, const double *push,
                         const double *port, double *restrict out, int K) {
    int pairs = phase->pairs, count = phase->rows;
    for (int r = 0; r < pairs; r++) {
        double c = zone->cosine[r], s = zone->sine[r];
        const double *a = rows + r * K, *b = rows + (r + pairs) * K;
        double *x = out + r * K, *y = out + (r + pairs) * K;
        for (int k = 0; k < K; k++) x[k] = a[k] * c - b[k] * s;
        for (int k = 0; k < K; k++) y[k] = b[k] * c + a[k] * s;
    }
    for (int r = 2 * pairs; r < count; r++)
        for (int k = 0; k < K; k++) out[r * K + k] = rows[r * K + k] * zone->cosine[r];
    for (int p = 0; p < zone->ports; p++)
        for (int r = 0; r < count; r++) {
            double factor = push[p * count + r];
            for (int k = 0; k < K; k++) out[r * K + k] += factor * port[p * K + k];
        }
}

ALWAYS void answer(const Work *w, const Zone *zone, double *volts, double *port, int K) {
    for (int p = 0; p < zone->ports; p++) {
        double *v = volts + p * K, slope, value;
        v[0] += zone->sense_rest[p];
        if (zone->held && p == w->ports - 1) {
            double grip = *w->grip_s, ohm = zone->grip_ohm;
            for (int k = 0; k < K; k++) v[k] *= zone->gain;
            v[0] -= ohm * grip * zone->hold_v;
            value = conduct(&zone->rule[p], v[0], &slope);
            value += grip * (v[0] + ohm * value - zone->hold_v);
            slope += grip * (1 + ohm * slope);
        } else {
            value = conduct(&zone->rule[p], v[0], &slope);
        }
        for (int k = 0; k < K; k++) port[p * K + k] = slope * v[k];
        port[p * K] = value;
    }
}

ALWAYS void keep_node(Work *w, const Zone *zone, int node, const double *state, int pushed) {
    int rows = w->phase[zone->kind].rows;
    double *to = w->rows.at + (zone->node + node) * w->wide;
    memcpy(to, state, rows * sizeof(double));
    memcpy(w->currents.at + (zone->node + node) * w->ports, w->port, zone->ports * sizeof(double));
    for (int p = 0; pushed && p < zone->ports; p++)
        for (int r = 0; r < rows; r++) to[r] += zone->end[p * rows + r] * w->port[p];
}

ALWAYS void run(Work *w, const Zone *zone, int had, int K, int keep) {
    const Phase *phase = &w->phase[zone->kind];
    int rows = phase->rows, last = w->ports - 1;
    double *state = w->one, *next = w->two;
    if (zone->ports > had) {
        double *volts = w->volts, *port = w->port + last * K, slope;
        multiply(phase->sense + last * rows, 1, rows, state, K, volts);
        volts[0] += zone->sense_rest[last];
        double value = conduct(&zone->entry, volts[0], &slope);
        for (int k = 0; k < K; k++) port[k] = (slope + *w->grip_s) * volts[k];
        port[0] = value + *w->grip_s * (volts[0] - zone->hold_v);
    }
    if (keep) keep_node(w, zone, 0, state, 0);
    for (int i = 0; i < zone->steps; i++) {
        advance_rows(zone, phase, state, i ? zone->carry : zone->start, w->port, next, K);
        double *swap = state;
        state = next, next = swap;
        multiply(phase->sense, zone->ports, rows, state, K, w->volts);
        answer(w, zone, w->volts, w->port, K);
        if (keep) keep_node(w, zone, i + 1, state, 1);
    }
    for (int p = 0; p < zone->ports; p++)
        for (int r = 0; r < rows; r++)
            for (int k = 0; k < K; k++) state[r * K + k] += zone->end[p * rows + r] * w->port[p * K + k];
    w->one = state, w->two = next;
}

ALWAYS void follow(Work *w, int K, int keep) {
    const Zone *last = NULL;
    int n = w->n, had = w->zone[0].drain ? w->ports : w->lamps;
    multiply(w->port_sense, had, n, w->columns, K, w->volts);
    for (int p = 0; p < had; p++) {
        Law rule = law(w, p, 0, 0);
        double slope, value = conduct(&rule, w->volts[p * K], &slope);
        for (int k = 0; k < K; k++) w->port[p * K + k] = slope * w->volts[p * K + k];
        w->port[p * K] = value;
    }
    for (int i = 0; i < w->zones; i++) {
        const Zone *zone = &w->zone[i];
        if (!last || last->kind != zone->kind) {
            const Phase *phase = &w->phase[zone->kind];
            if (last) {
                multiply(w->phase[last->kind].from_modes, n, w->phase[last->kind].rows, w->one, K,
                         w->columns);
                for (int j = 0; j < n; j++) w->columns[j * K] += last->rest[j];
            }
            for (int j = 0; j < n; j++) w->columns[j * K] -= zone->rest[j];
            multiply(phase->to_modes, phase->rows, n, w->columns, K, w->one);
        }
        run(w, zone, had, K, keep);
        had = zone->ports, last = zone;
    }
    multiply(w->phase[last->kind].from_modes, n, w->phase[last->kind].rows, w->one, K, w->columns);
    for (int j = 0; j < n; j++) w->columns[j * K] += last->rest[j];
}

static void period(Work *w, const double *start, double *end) {
    memcpy(w->columns, start, w->n * sizeof(double));
    follow(w, 1, 1);
    memcpy(end, w->columns, w->n * sizeof(double));
}

/* As `period`, with the derivative (n, n) of the end to the start. */
static void sloped_period(Work *w, const double *start, double *end, double *derivative) {
    int n = w->n, K = (n + 4) / 4 * 4;
    memset(w->columns, 0, (size_t)n * K * sizeof(double));
    memset(w->port, 0, (size_t)w->ports * K * sizeof(double));
    for (int i = 0; i < n; i++) w->columns[i * K] = start[i], w->columns[i * K + i + 1] = 1;
    follow(w, K, 0);
    for (int i = 0; i < n; i++) {
        end[i] = w->columns[i * K];
        memcpy(derivative + i * n, w->columns + i * K + 1, n * sizeof(double));
    }
}

/* ---- _measures.py ---- */

static void make_views(Work *w) {
    int n = w->n, coil = w->loop ? 4 : 2, place[4] = {w->loop ? 2 : 0, 0, w->loop ? 3 : coil, 0};
    for (int seen = 0; seen < w->seen; seen++) {
        double *states = w->states + seen * n;
        int slow = seen - SLOW, at = seen < SLOW ? place[seen] : slow == 0 ? 0 : coil + slow - 1;
        int node = seen == NODE || (seen == DRAIN && !w->loop);
        for (int i = 0; i < n; i++)
            states[i] = w->physical[at * n + i] - (node ? w->physical[n + i] : 0);
    }
    for (int kind = 0; kind < 3; kind++) {
        Phase *phase = &w->phase[kind];
        int pairs = phase->pairs;
        multiply(w->states, w->seen, n, phase->from_modes, phase->rows, phase->view);
        for (int seen = 0; seen < w->seen; seen++) {
            double *out = phase->view + seen * phase->rows, *slope = phase->slope + seen * phase->rows;
            double *push = phase->push + seen * w->ports;
            memset(push, 0, w->ports * sizeof(double));
            for (int mode = 0; mode < phase->modes; mode++) {
                int r = row_of(phase, mode);
                const double *in_re = phase->in_re + mode * w->ports;
                const double *in_im = phase->in_im + mode * w->ports;
                slope[r] = out[r] * phase->re[mode];
                for (int p = 0; p < w->ports; p++) push[p] += out[r] * in_re[p];
                if (mode >= pairs) continue;
                slope[r] += out[r + pairs] * phase->im[mode];
                slope[r + pairs] = out[r + pairs] * phase->re[mode] - out[r] * phase->im[mode];
                for (int p = 0; p < w->ports; p++) push[p] += out[r + pairs] * in_im[p];
            }
        }
    }
}

/* Some of what is seen in some steps of a zone: values, then slopes of the first ones, at the nodes
   and at shares of the steps between. */
typedef struct {
    int first, values, slopes, width, count;
    const double *rest; /* of the values */
    double *nodes, *currents; /* (count, width), (count, ports) */
} Piece;

/* Rows of a view turned by what the modes grow to. */
static void turn_view(const Phase *phase, const double *row, const double *grown, double *out) {
    int pairs = phase->pairs;
    for (int mode = 0; mode < phase->modes; mode++) {
        int r = row_of(phase, mode);
        double re = grown[2 * mode], im = grown[2 * mode + 1];
        out[r] = row[r] * re;
        if (mode >= pairs) continue;
        out[r] += row[r + pairs] * im;
        out[r + pairs] = row[r + pairs] * re - row[r] * im;
    }
}

static const double *view_row(const Phase *phase, const Piece *piece, int place) {
    int slope = place >= piece->values;
    int seen = piece->first + place - (slope ? piece->values : 0);
    return (slope ? phase->slope : phase->view) + seen * phase->rows;
}

/* Values and slopes of a zone's steps `from` to `to`, with `cuts` nodes within each step, at `shares`
   of it or evenly. */
static Piece see(Work *w, const Zone *zone, int from, int to, int first, int values, int slopes,
                 int cuts, const double *shares) {
    const Phase *phase = &w->phase[zone->kind];
    int rows = phase->rows, ports = zone->ports, width = values + slopes, parts = cuts + 1;
    size_t all = (size_t)(to - from) * parts + 1;
    int count = (int)all, modes = phase->modes;
    Piece piece = {first, values, slopes, width, count, NULL, NULL, NULL};
    if (all > MOST_DOUBLES) w->failed = UNFIT;
    if (w->failed) return piece;
    piece.nodes = room(w, &w->nodes, (size_t)count * width + values);
    piece.currents = room(w, &w->node_currents, (size_t)count * w->ports);
    if (w->failed) return piece;
    double *rest = piece.nodes + (size_t)count * width, *mix = w->mix, *grown = w->grown;
    piece.rest = rest;
    for (int v = 0; v < values; v++) rest[v] = dot(w->states + (first + v) * w->n, zone->rest, w->n);
    const double *trace = w->rows.at + (zone->node + from) * w->wide;
    const double *amps = w->currents.at + (zone->node + from) * w->ports;
    for (int v = 0; v < width; v++) {
        const double *row = view_row(phase, &piece, v);
        for (int i = 0; i <= to - from; i++)
            piece.nodes[(size_t)i * parts * width + v] = dot(row, trace + i * w->wide, rows);
    }
    for (int i = 0; i <= to - from; i++)
        memcpy(piece.currents + i * parts * w->ports, amps + i * w->ports, ports * sizeof(double));
    if (!cuts) return piece;
    double *base = grown + 2 * modes, *whole = mix + (size_t)width * rows;
    double *start = whole + (size_t)width * rows, *end = start + w->wide * w->ports;
    for (int mode = 0; mode < modes; mode++) {
        Growth g = growth(phase->re[mode], phase->im[mode], zone->step_s * (shares ? 1 : 1.0 / parts));
        base[2 * mode] = g.re, base[2 * mode + 1] = g.im;
        grown[2 * mode] = 1, grown[2 * mode + 1] = 0;
        set_mode(phase, start, mode, zone->cosine[row_of(phase, mode)],
                 mode < phase->pairs ? zone->sine[mode] : 0);
    }
    if (!zone->drain) { /* the end of a step without port currents */
        for (int mode = 0; mode < modes; mode++) {
            end[2 * mode] = start[row_of(phase, mode)];
            end[2 * mode + 1] = mode < phase->pairs ? start[mode + phase->pairs] : 0;
        }
        for (int v = 0; v < width; v++)
            turn_view(phase, view_row(phase, &piece, v), end, whole + v * rows);
    }
    for (int cut = 1; cut <= cuts; cut++) {
        double share = shares ? shares[cut - 1] : (double)cut / parts;
        for (int mode = 0; mode < modes; mode++) {
            double *g = grown + 2 * mode, *b = base + 2 * mode, re = g[0];
            if (shares || zone->drain) {
                Growth now = growth(phase->re[mode], phase->im[mode], share * zone->step_s);
                g[0] = now.re, g[1] = now.im;
                if (zone->drain) respond(w, phase, mode, now, zone->constant, start, end, NULL);
            } else {
                g[0] = re * b[0] - g[1] * b[1], g[1] = re * b[1] + g[1] * b[0];
            }
        }
        for (int v = 0; v < width; v++) {
            const double *row = view_row(phase, &piece, v);
            turn_view(phase, row, grown, mix);
            double *begin = end + w->wide * w->ports, *finish = begin + w->ports;
            for (int p = 0; zone->drain && p < ports; p++) {
                begin[p] = dot(row, start + p * rows, rows);
                finish[p] = dot(row, end + p * rows, rows);
            }
            for (int i = 0; i < to - from; i++) {
                double *node = piece.nodes + ((size_t)i * parts + cut) * width + v;
                const double *now = amps + i * w->ports, *then = now + w->ports;
                *node = dot(mix, trace + i * w->wide, rows);
                for (int p = 0; zone->drain && p < ports; p++) {
                    int held = zone->constant && p == w->ports - 1;
                    double late = held ? then[p] : now[p] + share * (then[p] - now[p]);
                    *node += begin[p] * now[p] + finish[p] * late;
                }
                if (!zone->drain) /* what the lamps do within a step is shared out evenly */
                    *node += share * (piece.nodes[((size_t)i + 1) * parts * width + v] -
                                      dot(whole + v * rows, trace + i * w->wide, rows));
            }
        }
        for (int i = 0; i < to - from; i++) {
            const double *now = amps + i * w->ports, *then = now + w->ports;
            double *between = piece.currents + (i * parts + cut) * w->ports;
            for (int p = 0; p < ports; p++)
                between[p] = zone->drain && zone->constant && p == w->ports - 1
                                 ? then[p]
                                 : now[p] + share * (then[p] - now[p]);
        }
    }
    return piece;
}

/* An interval of a piece: values and slopes at both its ends. */
typedef struct {
    double length, before, after, slope_before, slope_after;
} Interval;

static Interval interval(const Work *w, const Zone *zone, const Piece *piece, int i, int value,
                         double length) {
    const double *node = piece->nodes + (size_t)i * piece->width, *next = node + piece->width;
    const double *now = piece->currents + i * w->ports, *then = now + w->ports;
    const double *push = w->phase[zone->kind].push + (piece->first + value) * w->ports;
    Interval out = {length, node[value] + piece->rest[value], next[value] + piece->rest[value], 0, 0};
    if (value >= piece->slopes) return out;
    out.slope_before = node[piece->values + value], out.slope_after = next[piece->values + value];
    for (int p = 0; p < zone->ports; p++) {
        int held = zone->drain && zone->constant && p == w->ports - 1;
        out.slope_before += push[p] * (held ? then[p] : now[p]);
        out.slope_after += push[p] * then[p];
    }
    return out;
}

static double squared(const Interval *i) {
    double plain = i->before * i->before + i->after * i->after;
    double bend = i->before * i->slope_before - i->after * i->slope_after;
    return i->length * (plain / 2 + i->length * bend / 6);
}

static double summed(const Interval *i) {
    double bend = i->slope_before - i->slope_after;
    return i->length * ((i->before + i->after) / 2 + i->length * bend / 12);
}

/* Highest value of sign times the signal in an interval. */
static double highest(const Interval *i, double sign) {
    double before = sign * i->before, after = sign * i->after, rise = after - before;
    double first = sign * i->slope_before * i->length, last = sign * i->slope_after * i->length;
    double square = 3 * (first + last - 2 * rise), linear = 2 * (3 * rise - 2 * first - last);
    double below = sqrt(most(linear * linear - 4 * square * first, 0)) - linear;
    double place = below > 0 ? least(most(2 * first / below, 0), 1) : 0;
    double cubic = first + place * (linear / 2 + place * square / 3);
    return most(most(before, after), before + place * cubic);
}

/* Samples while the switch is open. */
typedef struct {
    double time, drain, slope, node, flow;
    int clamp;
} Sample;

static Sample *samples(Work *w) { return (Sample *)w->glance.at; }

static void glance(Work *w) {
    double now = 0;
    w->samples = 0;
    for (int z = 0; z < w->zones && !w->failed; z++) {
        const Zone *zone = &w->zone[z];
        if (zone->kind == ON) continue;
        int fine = zone->kind == CLAMP ? 1 : zone->fine;
        Piece piece = see(w, zone, 0, zone->steps, DRAIN, 3, 1, fine - 1, NULL);
        room(w, &w->glance, (size_t)(w->samples + piece.count) * (sizeof(Sample) / sizeof(double)));
        if (w->failed) return;
        double length = zone->step_s / fine, slope = 0;
        for (int i = 0; i < piece.count; i++) {
            Sample *to = samples(w) + w->samples++;
            const double *node = piece.nodes + (size_t)i * piece.width;
            if (i + 1 < piece.count) {
                Interval part = interval(w, zone, &piece, i, 0, length);
                to->slope = part.slope_before, slope = part.slope_after;
            } else {
                to->slope = slope;
            }
            to->time = now + i * length, to->clamp = zone->kind == CLAMP;
            to->drain = node[0] + piece.rest[0], to->node = node[1] + piece.rest[1];
            to->flow = node[2] + piece.rest[2];
        }
        now += (piece.count - 1) * length;
    }
    if (!w->samples) w->failed = UNFIT;
}

/* Results in the order of `RESULTS` in _kernel.py, then peaks and two LED currents of receivers. */
enum { GOOD, RESIDUAL, SUPPLY_A, COIL_MIN, COIL_MAX, COIL_SQUARE, DRAIN_PEAK, TURN_ON_V, SWITCH_LOSS,
       SUPPLY_LOSS, DAMPING_LOSS, BODY_LOSS, CLAMP_LOSS, RECEIVER_LOSS, RESULTS };

static void measure_fast(Work *w, const Zone *zone, Piece *piece, const double *lengths, double part_s,
                         double *out) {
    double last = 0;
    for (int i = 0; i + 1 < piece->count; i++) {
        double length = lengths ? lengths[i] : part_s;
        const double *now = piece->currents + i * w->ports + w->ports - 1, *then = now + w->ports;
        Interval drain = interval(w, zone, piece, i, 0, length), across;
        across = interval(w, zone, piece, i, 1, length);
        across.before -= drain.before, across.after -= drain.after;
        across.slope_before -= drain.slope_before, across.slope_after -= drain.slope_after;
        out[DRAIN_PEAK] = most(out[DRAIN_PEAK], highest(&drain, 1));
        out[DAMPING_LOSS] += squared(&across);
        if (zone->kind == ON) out[SWITCH_LOSS] += squared(&drain);
        if (!zone->drain) continue;
        if (!zone->held) {
            out[drain.after < 0 ? BODY_LOSS : CLAMP_LOSS] -= *then * summed(&drain);
            continue;
        }
        double grip = *w->grip_s, hold = zone->hold_v, begin = zone->constant ? *then : *now;
        double begun = drain.before * (grip * (drain.before - hold) - begin);
        double ended = drain.after * (grip * (drain.after - hold) - *then);
        if (i % 2) /* Simpson's rule over pairs of parts */
            out[hold < 0 ? BODY_LOSS : CLAMP_LOSS] += (last + 2 * begun + ended) * length / 3;
        last = begun + 2 * ended;
    }
}

static int lamp_of(const Work *w, int receiver) {
    for (int lamp = 0; lamp < w->lamps; lamp++)
        if (w->lamp[lamp] == receiver) return lamp;
    return -1;
}

/* Highest value of sign times slow signal `value`: beside its highest node. */
static double slow_peak(const Interval *slow, int count, int value, int values, double sign) {
    double top = -HUGE_VAL, peak = -HUGE_VAL;
    int at = 0;
    for (int i = 0; i < count; i++) {
        const Interval *here = slow + (size_t)i * values + value;
        double high = most(sign * here->before, sign * here->after);
        if (high > top) top = high, at = i;
    }
    for (int near = -1; near <= 1; near++) {
        int i = (at + near + count) % count;
        peak = most(peak, highest(slow + (size_t)i * values + value, sign));
    }
    return peak;
}

static void measure(Work *w, double *out) {
    const Rules *rules = w->rules;
    int values = w->seen - SLOW, count = 0, steps = 0, shares = (int)rules->turn_ons;
    double lengths[SHARES], span = 0;
    for (int z = 0; z < w->zones; z++) steps += w->zone[z].steps;
    for (int i = GOOD + 2; i < RESULTS + 3 * w->receivers; i++) out[i] = 0;
    out[DRAIN_PEAK] = -HUGE_VAL;
    Interval *slow = (Interval *)room(w, &w->slow, (size_t)(steps + shares) * values * 5);
    double *led = out + RESULTS + w->receivers;
    for (int z = 0; z < w->zones && !w->failed; z++) {
        const Zone *zone = &w->zone[z];
        int turn_on = zone->kind == ON;
        for (int i = 0; i < shares; i++)
            lengths[i] = (rules->turn_on[i] - (i ? rules->turn_on[i - 1] : 0)) * zone->step_s;
        for (int first = turn_on; first >= 0; first--) { /* the first step after turn-on by itself */
            int from = first ? 0 : turn_on, to = first ? 1 : zone->steps;
            int cuts = first ? shares - 1 : zone->fine - 1;
            if (from == to) continue;
            double part_s = zone->step_s / (cuts + 1);
            const double *at = first ? rules->turn_on : NULL;
            Piece piece = see(w, zone, from, to, DRAIN, 2, 2, cuts, at);
            if (w->failed) return;
            if (!count) out[TURN_ON_V] = piece.nodes[0] + piece.rest[0];
            measure_fast(w, zone, &piece, first ? lengths : NULL, part_s, out);
            piece = see(w, zone, from, to, SLOW, values, values, first ? cuts : 0, at);
            if (w->failed) return;
            for (int i = 0; i + 1 < piece.count; i++, count++) {
                double length = first ? lengths[i] : zone->step_s;
                const double *now = piece.currents + i * w->ports, *then = now + w->ports;
                for (int v = 0; v < values; v++)
                    slow[(size_t)count * values + v] = interval(w, zone, &piece, i, v, length);
                span += length;
                for (int lamp = 0; lamp < w->lamps; lamp++) {
                    int receiver = w->lamp[lamp];
                    double a = -now[lamp], b = -then[lamp];
                    const Interval *v = slow + (size_t)count * values + 2 + 2 * receiver;
                    double middle = (v->before + v->after) / 2 +
                                    length * (v->slope_before - v->slope_after) / 8;
                    led[2 * receiver] += length * (most(a, 0) + most(b, 0)) / 2;
                    led[2 * receiver + 1] += length * (most(-a, 0) + most(-b, 0)) / 2;
                    out[RECEIVER_LOSS] +=
                        length * (v->before * a + 2 * middle * (a + b) + v->after * b) / 6;
                }
            }
        }
    }
    double supply = 0, lost = 0, coil = 0, volt = *w->supply_v;
    for (int i = 0; i < count; i++) {
        Interval drop = slow[(size_t)i * values];
        drop.before = volt - drop.before, drop.after = volt - drop.after;
        drop.slope_before = -drop.slope_before, drop.slope_after = -drop.slope_after;
        supply += summed(&drop), lost += squared(&drop);
        coil += squared(slow + (size_t)i * values + 1);
    }
    out[SUPPLY_A] = supply / span / *w->supply_ohm, out[SUPPLY_LOSS] = lost / span / *w->supply_ohm;
    out[COIL_SQUARE] = coil / span;
    out[COIL_MIN] = -slow_peak(slow, count, 1, values, -1);
    out[COIL_MAX] = slow_peak(slow, count, 1, values, 1);
    out[SWITCH_LOSS] /= span * *w->on_ohm, out[DAMPING_LOSS] /= span * *w->damping_ohm;
    out[BODY_LOSS] /= span, out[CLAMP_LOSS] /= span;
    for (int r = 0; r < w->receivers; r++) {
        const double *part = w->receiver + 3 * r; /* root of count, resistance, load */
        double high = slow_peak(slow, count, 2 + 2 * r, values, 1);
        out[RESULTS + r] = most(high, slow_peak(slow, count, 2 + 2 * r, values, -1)) / part[0];
        for (int i = 0; i < count; i++) {
            const Interval *v = slow + (size_t)i * values + 2 + 2 * r;
            out[RECEIVER_LOSS] += squared(v) / part[2] + squared(v + 1) * part[1];
        }
        if (lamp_of(w, r) >= 0)
            for (int way = 0; way < 2; way++) led[2 * r + way] /= span * part[0];
    }
    out[RECEIVER_LOSS] /= span;
}

/* ---- _contacts.py ---- */

static double cubic_root(const Rules *rules, double first, double last, double leave, double arrive) {
    double low = 0, high = 1;
    for (int i = 0; i < (int)rules->halves; i++) {
        double middle = (low + high) / 2, rest = 1 - middle;
        double value = rest * rest * ((1 + 2 * middle) * first + middle * leave);
        value += middle * middle * ((1 + 2 * rest) * last - rest * arrive);
        if (value < 0) low = middle;
        else high = middle;
    }
    return high;
}

static double crossing(const Work *w, int i, double sign, double touch) {
    const Sample *here = samples((Work *)w) + i, *after = here + (i + 1 < w->samples);
    double gap = after->time - here->time, rate = sign * here->slope;
    double level = sign * (here->drain - touch), next = sign * (after->drain - touch);
    if (after->clamp)
        return here->time + least(rate > 0 ? -level / rate : gap, gap + w->rules->most_s);
    return here->time +
           cubic_root(w->rules, level, next, rate * gap, sign * after->slope * gap) * gap;
}

static double release(const Work *w, int first, int last, double sign, double touch, double hold) {
    const Sample *s = samples((Work *)w);
    int after = last + 1 < w->samples ? last + 1 : last, basis = last;
    double stop = s[w->samples - 1].time, gap = s[after].time - s[last].time;
    double level = sign * (s[last].drain - touch), fall = level - sign * (s[after].drain - touch);
    double chord = level / (fall == 0 ? 1 : fall) * gap;
    if (last == w->samples - 1) return stop;
    while (basis >= first && !(s[basis].clamp && sign * (s[basis].drain - touch) > 0)) basis--;
    int known = basis >= first;
    if (!known) basis = first;
    double amps = sign * s[basis].flow, push = sign * (s[basis].node - hold), sway = *w->sway;
    double rate = *w->loop_h > 0 ? push / most(*w->loop_h, 1e-15) : 0;
    double wait = amps > 0 ? atan2(amps * sway, -rate) / sway : 0;
    if (s[last].clamp && basis == last && gap > 0) wait = least(wait, gap);
    double drawn = s[basis].time + least(wait, w->rules->most_s);
    double crossed = s[last].time + least(most(chord, 0), gap);
    return least(known && amps > 0 ? drawn : most(drawn, crossed), stop);
}

static void filled(const Work *w, Contacts *contacts, double off_s) {
    double now = 0;
    (void)w;
    for (int slot = 0; slot < contacts->count; slot++) {
        double starts = most(contacts->begin[slot], now), stops = most(contacts->end[slot], starts);
        contacts->end[slot] = least(stops, off_s);
        contacts->begin[slot] = least(starts, contacts->end[slot]);
        now = contacts->end[slot];
    }
}

static void read_contacts(const Work *w, Contacts *out) {
    enum { MANY = 256 };
    const Rules *rules = w->rules;
    const Sample *s = samples((Work *)w);
    double begin[MANY], end[MANY], hold[MANY], off_s = s[w->samples - 1].time;
    int count = 0, kept = 0;
    for (int side = 0; side < 2; side++) {
        double sign = side ? 1 : -1, touch = w->touch_v[side];
        if (!isfinite(touch)) continue;
        for (int i = 0; i + 1 < w->samples; i++) {
            int inside = i > 0 && sign * (s[i].drain - touch) > 0, last = i + 1;
            if (inside || !(sign * (s[i + 1].drain - touch) > 0)) continue;
            while (last + 1 < w->samples && sign * (s[last + 1].drain - touch) > 0) last++;
            if (count == MANY) break;
            double from = crossing(w, i, sign, touch);
            double to = release(w, i + 1, last, sign, touch, w->hold_v[side]);
            int at = count++;
            for (; at > 0 && begin[at - 1] > from; at--)
                begin[at] = begin[at - 1], end[at] = end[at - 1], hold[at] = hold[at - 1];
            begin[at] = from, end[at] = to, hold[at] = w->hold_v[side];
        }
    }
    for (int i = 0; i < count; i++) {
        if (kept && begin[i] < end[kept - 1] + rules->gap_s) {
            end[kept - 1] = most(end[kept - 1], end[i]);
            continue;
        }
        begin[kept] = begin[i], end[kept] = end[i], hold[kept++] = hold[i];
    }
    int late = 0;
    out->early = 0;
    for (int i = 0; i < kept; i++) {
        if (!(end[i] - begin[i] > rules->shortest_contact_s)) continue;
        int early = begin[i] < rules->early * off_s, slot = out->early + late;
        if ((early ? out->early : late) == SLOTS) continue;
        if (early) out->early++;
        else late++;
        out->begin[slot] = begin[i], out->end[slot] = end[i], out->hold[slot] = hold[i];
    }
    out->count = out->early + late;
    filled(w, out, off_s);
}

/* Slot of either contacts for a common place: early ones first, then late ones. */
static int slot_of(const Contacts *c, int early, int place) {
    int slot = place < early ? place : c->early + place - early;
    return place < early ? (place < c->early ? slot : -1) : slot < c->count ? slot : -1;
}

static int there(const Contacts *c, int slot) { return slot >= 0 && c->end[slot] > c->begin[slot]; }

static void moved(const Work *w, const Contacts *a, const Contacts *b, double *early, double *late) {
    int common = a->early > b->early ? a->early : b->early, rest = a->count - a->early;
    if (b->count - b->early > rest) rest = b->count - b->early;
    *early = *late = 0;
    for (int place = 0; place < common + rest; place++) {
        int i = slot_of(a, common, place), j = slot_of(b, common, place);
        double *to = place < common ? early : late, apart = 0;
        if (there(a, i) != there(b, j)) apart = HUGE_VAL;
        else if (there(a, i))
            apart = most(fabs(a->begin[i] - b->begin[j]),
                         fabs(a->end[i] - b->end[j]) / w->rules->end_counts);
        *to = most(*to, apart);
    }
}

static void merge(const Work *w, const Contacts *before, Contacts *after) {
    int late = after->count - after->early;
    if (before->early > after->early || before->count - before->early > late) return;
    for (int place = 0; place < after->count; place++) {
        int old = slot_of(before, after->early, place);
        if (!there(before, old) || !there(after, place)) continue;
        double begun = before->begin[old], ended = before->end[old];
        double apart = most(fabs(begun - after->begin[place]), fabs(ended - after->end[place]));
        if (!(apart < w->rules->hunting_s)) continue;
        after->begin[place] = (begun + after->begin[place]) / 2;
        after->end[place] = (ended + after->end[place]) / 2;
    }
}

/* Empty slots follow on the ones before, as after `joined`. */
static void settle_slots(const Work *w, Contacts *contacts) {
    for (int slot = 0; slot < contacts->count; slot++)
        if (!there(contacts, slot)) {
            contacts->begin[slot] = contacts->end[slot] = -1;
            contacts->hold[slot] = w->rules->any_v;
        }
    filled(w, contacts, (1 - w->duty) / w->frequency_hz);
}

/* Volt-seconds beyond the diodes while they were left out, and volts apart while they were not. */
static void misfit(const Work *w, double *missed, double *strain) {
    const Sample *s = samples((Work *)w);
    double before = 0;
    *missed = *strain = 0;
    for (int i = 0; i < w->samples; i++) {
        double low = w->hold_v[0] - s[i].drain, high = s[i].drain - w->hold_v[1];
        double beyond = s[i].clamp ? 0 : most(low, 0) + most(high, 0);
        if (i) *missed += (beyond + before) / 2 * (s[i].time - s[i - 1].time);
        before = beyond;
        if (s[i].clamp && i + 1 < w->samples && s[i + 1].time > s[i].time)
            *strain = most(*strain, least(fabs(low), fabs(high)));
    }
}

/* ---- _shooting.py, _approach.py, _settle.py ---- */

typedef struct {
    double step, residual;
    int solved;
} Round;

typedef struct {
    Contacts contacts;
    int inverse; /* whether w->inverse is of a like grid */
} Guess;

static double scale_of(const Work *w, const double *state) {
    return most(norm(state, w->phase[OFF].rest, w->n), 1e-300);
}

/* From w->ahead; leaves the state in w->state, its period's end in w->finish, and where to go on in
   w->ahead. */
static Round chords(Work *w, int *inverse, int allowed, double step_limit, double size_limit) {
    int n = w->n;
    double last = HUGE_VAL;
    Round made = {0, 0, 0};
    memcpy(w->state, w->ahead, n * sizeof(double));
    if (!*inverse) {
        sloped_period(w, w->ahead, w->finish, w->derivative);
        invert(w, w->derivative, w->inverse);
        for (int i = 0; i < n; i++) w->step[i] = w->finish[i] - w->ahead[i];
        last = norm(w->step, NULL, n);
        for (int i = 0; i < n; i++) w->state[i] += dot(w->inverse + i * n, w->step, n);
        *inverse = 1;
    }
    for (int chord = 0;; chord++) {
        double *gap = w->base;
        period(w, w->state, w->finish);
        for (int i = 0; i < n; i++) gap[i] = w->finish[i] - w->state[i];
        multiply(w->inverse, n, n, gap, 1, w->step);
        double size = norm(gap, NULL, n), scale = scale_of(w, w->state);
        made.step = norm(w->step, NULL, n) / scale, made.residual = size / scale;
        for (int i = 0; i < n; i++)
            w->ahead[i] = size <= last ? w->state[i] + w->step[i] : w->finish[i];
        made.solved = made.step < step_limit;
        if (chord == allowed || (made.solved && size < size_limit * scale)) return made;
        memcpy(w->state, w->ahead, n * sizeof(double));
        last = size;
    }
}

/* Newton's method from w->ahead; results as of `chords`. */
static Round newton(Work *w) {
    int n = w->n, halved = 0;
    size_t bytes = n * sizeof(double);
    double size = HUGE_VAL;
    Round made = {HUGE_VAL, HUGE_VAL, 0};
    memcpy(w->trial, w->ahead, bytes);
    memcpy(w->base, w->ahead, bytes);
    memcpy(w->base_end, w->ahead, bytes);
    memset(w->step, 0, bytes);
    for (int pass = 0; pass < (int)w->rules->passes && !made.solved; pass++) {
        sloped_period(w, w->trial, w->finish, w->derivative);
        for (int i = 0; i < n; i++) w->state[i] = w->finish[i] - w->trial[i];
        double fresh = norm(w->state, NULL, n);
        int better = fresh <= size;
        if (better) {
            double *own = w->derivative + n * n; /* the inverse of the rounds is kept */
            invert(w, w->derivative, own);
            multiply(own, n, n, w->state, 1, w->step);
            memcpy(w->base, w->trial, bytes);
            memcpy(w->base_end, w->finish, bytes);
            size = fresh, halved = 0;
        } else {
            halved++;
            for (int i = 0; i < n; i++) w->step[i] /= 4;
        }
        int give_up = halved > (int)w->rules->halvings;
        for (int i = 0; i < n; i++)
            w->trial[i] = give_up ? w->base_end[i] : w->base[i] + w->step[i];
        if (give_up) size = HUGE_VAL;
        made.step = better && !give_up ? norm(w->step, NULL, n) / scale_of(w, w->base) : HUGE_VAL;
        made.solved = made.step < w->rules->tolerance;
    }
    memcpy(w->state, w->trial, bytes);
    memcpy(w->ahead, w->trial, bytes);
    period(w, w->state, w->finish);
    made.residual = norm(w->finish, w->state, n) / scale_of(w, w->state);
    return made;
}

/* Periodic state without diodes, then lamps turned down to what their LEDs allow, into w->ahead. */
static void first_guess(Work *w) {
    int n = w->n, ports = w->ports, lamps = w->lamps;
    double *x = w->base, omega = 2 * 3.14159265358979323846 * w->frequency_hz;
    double spans[2] = {w->duty / w->frequency_hz, (1 - w->duty) / w->frequency_hz};
    w->zones = 0;
    for (int kind = ON; kind <= OFF; kind++) {
        Zone *zone = &w->zone[w->zones++];
        zone->kind = kind, zone->steps = 1, zone->step_s = spans[kind], zone->held = 0;
        zone->drain = 0, zone->constant = 0, zone->fine = 1;
    }
    build_steppers(w);
    if (w->failed) return;
    for (int i = 0; i < 2; i++) w->zone[i].ports = 0;
    w->ports = w->lamps = 0;
    memcpy(w->ahead, w->phase[OFF].rest, n * sizeof(double));
    sloped_period(w, w->ahead, w->finish, w->derivative);
    w->ports = ports, w->lamps = lamps;
    invert(w, w->derivative, w->derivative + n * n);
    for (int i = 0; i < n; i++) w->step[i] = w->finish[i] - w->ahead[i];
    for (int i = 0; i < n; i++) w->ahead[i] += dot(w->derivative + n * n + i * n, w->step, n);
    multiply(w->physical, n, n, w->ahead, 1, x);
    for (int lamp = 0; lamp < lamps; lamp++) {
        double *v = x + (w->loop ? 5 : 3) + 2 * w->lamp[lamp], *i = v + 1;
        double henry = w->tuned[lamp], ohm = w->tuned[lamps + lamp];
        double farad = w->tuned[2 * lamps + lamp], load = w->tuned[3 * lamps + lamp];
        double re = *v, im = -*i / (omega * farad), wind = ohm * ohm + omega * omega * henry * henry;
        double a = 1 / load + ohm / wind, b = omega * farad - omega * henry / wind;
        const double *own = w->laws + lamp;
        double thermal = own[0], saturation = own[2 * ports], series = own[6 * ports];
        double held = hypot(re, im), drive = held * hypot(a, b), leak = 0;
        for (int turn = 0; turn < (int)w->rules->leaks; turn++) {
            double height = most(2 * leak * held, 1e-3 * drive);
            held = thermal * log(height / saturation + 1) + height * series;
            double wanted = most(drive / held * (drive / held) - b * b, 0);
            leak = most(sqrt(wanted) - a, 0);
        }
        double below = (a + leak) * (a + leak) + b * b; /* phasor times y / (y + leak) */
        double share_re = (a * (a + leak) + b * b) / below, share_im = b * leak / below;
        double turned = re * share_re - im * share_im;
        im = re * share_im + im * share_re;
        *v = turned;
        *i = (1 / load + leak) * turned - omega * farad * im;
    }
    multiply(w->energy, n, n, x, 1, w->ahead);
}

static void approach(Work *w, Guess *guess, int known, int rounds) {
    const Rules *rules = w->rules;
    Contacts after;
    if (w->failed) return;
    if (!known) {
        Contacts none = {0, 0, {0}, {0}, {0}};
        contact_zones(w, &none, &rules->coarse);
        if (w->failed) return;
        period(w, w->ahead, w->finish);
        glance(w);
        if (w->failed) return;
        read_contacts(w, &guess->contacts);
    }
    guess->inverse = 0;
    for (int left = rounds - 1; left >= 0; left--) {
        double early, late;
        contact_zones(w, &guess->contacts, &rules->coarse);
        if (w->failed) return;
        Round made = chords(w, &guess->inverse, (int)rules->chords_coarse, rules->limit_coarse, HUGE_VAL);
        glance(w);
        if (w->failed) return;
        read_contacts(w, &after);
        moved(w, &guess->contacts, &after, &early, &late);
        settle_slots(w, &after);
        guess->contacts = after;
        if (made.step < rules->near && most(early, late) < rules->near_s) return;
        if (left && left > rounds - (int)rules->fresh) guess->inverse = 0;
    }
}

static int known(Work *w, const Contacts *before, const Contacts *after) {
    const Rules *rules = w->rules;
    double early, late, missed, strain;
    moved(w, before, after, &early, &late);
    misfit(w, &missed, &strain);
    int harmless = missed < rules->missed_vs && strain < rules->strain_v;
    int gentle = late < rules->late_moved_s || ((isinf(late) || late < rules->late_far_s) && harmless);
    return early < rules->moved_s && gentle;
}

/* From w->ahead: 1 where a period was solved and read off, 0 where not, -1 where the first round
   shows that the guess was far away. */
static int settle(Work *w, Guess *guess, int may_be_away, Contacts *found, double *out) {
    const Rules *rules = w->rules;
    for (int attempt = 0; attempt < (int)rules->tries && !w->failed; attempt++) {
        Round made;
        contact_zones(w, &guess->contacts, &rules->fine);
        if (w->failed) return 0;
        if (attempt < (int)rules->trusting)
            made = chords(w, &guess->inverse, (int)rules->chords, rules->chord_tolerance, rules->residual);
        else
            made = newton(w);
        glance(w);
        if (w->failed) return 0;
        read_contacts(w, found);
        out[RESIDUAL] = made.residual;
        if (made.solved && made.residual <= rules->residual && known(w, &guess->contacts, found)) {
            measure(w, out);
            return !w->failed;
        }
        if (may_be_away && !attempt && made.step > rules->beside) return -1;
        if (attempt) merge(w, &guess->contacts, found);
        settle_slots(w, found);
        guess->contacts = *found;
    }
    careful_zones(w);
    if (w->failed) return 0;
    Round made = newton(w);
    glance(w);
    if (w->failed) return 0;
    read_contacts(w, found);
    out[RESIDUAL] = made.residual;
    measure(w, out);
    return !w->failed && made.solved && made.residual <= rules->residual;
}

static int settle_roughly(Work *w, Guess *guess, Contacts *found, double *out) {
    const Rules *rules = w->rules;
    contact_zones(w, &guess->contacts, &rules->coarse);
    if (w->failed) return 0;
    Round made =
        chords(w, &guess->inverse, (int)rules->rough_chords, rules->chord_tolerance, rules->rough);
    glance(w);
    if (w->failed) return 0;
    read_contacts(w, found);
    out[RESIDUAL] = made.residual;
    measure(w, out);
    return !w->failed && made.residual <= rules->rough && made.step <= rules->rough;
}

static void unpack(const Work *w, const double *packed, Contacts *out) {
    out->early = out->count = 0;
    for (int slot = 0; slot < 2 * SLOTS; slot++) {
        if (!isfinite(packed[slot])) continue;
        if (slot < SLOTS) out->early++;
        out->begin[out->count] = packed[slot];
        out->end[out->count] = packed[2 * SLOTS + slot];
        out->hold[out->count++] = packed[4 * SLOTS + slot];
    }
    filled(w, out, (1 - w->duty) / w->frequency_hz);
}

static void pack(const Contacts *contacts, double *packed) {
    for (int i = 0; i < 6 * SLOTS; i++) packed[i] = NAN;
    for (int slot = 0; slot < contacts->count; slot++) {
        if (!there(contacts, slot)) continue;
        int to = slot < contacts->early ? slot : slot + SLOTS - contacts->early;
        packed[to] = contacts->begin[slot];
        packed[2 * SLOTS + to] = contacts->end[slot];
        packed[4 * SLOTS + to] = contacts->hold[slot];
    }
}

static int finite(const double *array, int count) {
    for (int i = 0; i < count; i++)
        if (!isfinite(array[i])) return 0;
    return 1;
}

static void solve_one(Work *w, const double *start, const double *contacts, int rough, double *out) {
    int n = w->n, have = start && finite(start, n), good = -1;
    Guess guess;
    Contacts found;
    guess.inverse = guess.contacts.early = guess.contacts.count = 0;
    found.early = found.count = 0;
    out[RESIDUAL] = NAN;
    if (have) memcpy(w->ahead, start, n * sizeof(double));
    if (contacts) unpack(w, contacts, &guess.contacts);
    if (have && contacts && !rough) good = settle(w, &guess, 1, &found, out);
    if (good < 0) {
        if (have) memcpy(w->ahead, start, n * sizeof(double));
        else first_guess(w);
        if (contacts) unpack(w, contacts, &guess.contacts);
        approach(w, &guess, contacts != NULL, (int)(rough ? w->rules->rough_rounds : w->rules->rounds));
        good = rough ? settle_roughly(w, &guess, &found, out) : settle(w, &guess, 0, &found, out);
    }
    if (w->failed) good = 0;
    if (w->failed == UNFIT) w->failed = 0;
    double *state = out + RESULTS + 3 * w->receivers;
    good = good && finite(out + RESIDUAL, RESULTS - 1 + 3 * w->receivers) && finite(w->state, n);
    out[GOOD] = good;
    memcpy(state, w->state, n * sizeof(double));
    pack(&found, state + n);
    if (!good)
        for (int i = RESIDUAL + 1; i < RESULTS + 3 * w->receivers + n + 6 * SLOTS; i++) out[i] = NAN;
}

/* ---- entry ---- */

static const double *take(const double **cursor, size_t count) {
    const double *here = *cursor;
    *cursor += count;
    return here;
}

static void read_network(Work *w, const int *shape, const double *block) {
    int n = w->n, P = w->ports;
    for (int kind = 0; kind < 3; kind++) {
        Phase *phase = &w->phase[kind];
        phase->pairs = shape[2 * kind], phase->modes = shape[2 * kind + 1];
        phase->rows = phase->pairs + phase->modes;
        phase->re = take(&block, phase->modes), phase->im = take(&block, phase->modes);
        phase->to_modes = take(&block, (size_t)phase->rows * n);
        phase->from_modes = take(&block, (size_t)phase->rows * n);
        phase->rest = take(&block, n);
        phase->in_re = take(&block, (size_t)phase->modes * P);
        phase->in_im = take(&block, (size_t)phase->modes * P);
        phase->sense = take(&block, (size_t)phase->rows * P);
        phase->sense_rest = take(&block, P);
    }
    w->pull = take(&block, n), w->pull_sense = take(&block, P), w->grip_s = take(&block, 1);
    w->hold_v = take(&block, 2), w->touch_v = take(&block, 2), w->loop_h = take(&block, 1);
    w->sway = take(&block, 1), w->laws = take(&block, (size_t)10 * P);
    w->physical = take(&block, (size_t)n * n), w->energy = take(&block, (size_t)n * n);
    w->port_sense = take(&block, (size_t)P * n), w->tuned = take(&block, (size_t)4 * w->lamps);
    w->ring_s = take(&block, 1), w->decay_s = take(&block, 1);
    w->supply_v = take(&block, 1), w->supply_ohm = take(&block, 1);
    w->on_ohm = take(&block, 1), w->damping_ohm = take(&block, 1);
    w->receiver = take(&block, (size_t)3 * w->receivers);
}

static double *cut_off(double **cursor, size_t count) {
    double *here = *cursor;
    *cursor += count;
    return here;
}

/* Which source this is, how many doubles `Rules` holds, and how long a row of results is. */
SHARED const char *coilwright_source(void) { return SOURCE; }
SHARED int coilwright_rules(void) { return (int)(sizeof(Rules) / sizeof(double)); }
SHARED int coilwright_row(int n, int receivers) { return RESULTS + 3 * receivers + n + 6 * SLOTS; }

/* Solve `points` operating points.

   shape: n, receivers, lamps, loop, then pairs and modes of the three switch states.
   networks: blocks of `stride` doubles, one a point; stride 0 where all share one.
   states, contacts: (points, n) and (points, 3, 2 SLOTS), or NULL; NaN where there is none.
   Returns 0, or -1 where there is no memory. */
SHARED int coilwright_solve(const double *rules, const int *shape, const int *lamp, int points,
                            const double *networks, long long stride, const double *frequency_hz,
                            const double *duty, const double *states, const double *contacts,
                            int rough, double *out) {
    Work *w = calloc(1, sizeof(Work));
    if (!w) return -1;
    w->rules = (const Rules *)rules;
    w->n = shape[0], w->receivers = shape[1], w->lamps = shape[2], w->loop = shape[3];
    w->ports = w->lamps + 1, w->seen = SLOW + 2 + 2 * w->receivers, w->lamp = lamp;
    for (int kind = 0; kind < 3; kind++) {
        int rows = shape[4 + 2 * kind] + shape[5 + 2 * kind];
        w->wide = w->wide < rows ? rows : w->wide;
    }
    int n = w->n, P = w->ports, wide = w->wide, K = (n + 4) / 4 * 4;
    size_t high = (size_t)(wide > n ? wide : n), view = (size_t)w->seen * (2 * wide + P);
    size_t square = (size_t)n * n, whole = 3 * high * K + 2 * (size_t)P * K + (size_t)w->seen * n;
    whole += 2 * (size_t)(2 * w->seen) * wide + 4 * wide + 2 * (size_t)(wide + 1) * P + 4 * wide;
    whole += 8 * (size_t)n + 4 * square + 3 * view;
    double *memory = calloc(whole, sizeof(double)), *cursor = memory;
    w->law = calloc((size_t)ZONES * P, sizeof(Law));
    w->failed = !memory || !w->law;
    if (!w->failed) {
        w->columns = cut_off(&cursor, high * K), w->one = cut_off(&cursor, high * K);
        w->two = cut_off(&cursor, high * K), w->port = cut_off(&cursor, (size_t)P * K);
        w->volts = cut_off(&cursor, (size_t)P * K), w->states = cut_off(&cursor, (size_t)w->seen * n);
        w->mix = cut_off(&cursor, 2 * (size_t)(2 * w->seen) * wide + 2 * (size_t)(wide + 1) * P + 4 * wide);
        w->grown = cut_off(&cursor, 4 * wide);
        w->state = cut_off(&cursor, n), w->finish = cut_off(&cursor, n), w->step = cut_off(&cursor, n);
        w->ahead = cut_off(&cursor, n), w->base = cut_off(&cursor, n), w->base_end = cut_off(&cursor, n);
        w->trial = cut_off(&cursor, n), w->inverse = cut_off(&cursor, square);
        w->derivative = cut_off(&cursor, 2 * square), w->square = cut_off(&cursor, square);
        for (int kind = 0; kind < 3; kind++) {
            w->phase[kind].view = cut_off(&cursor, (size_t)w->seen * wide);
            w->phase[kind].slope = cut_off(&cursor, (size_t)w->seen * wide);
            w->phase[kind].push = cut_off(&cursor, (size_t)w->seen * P);
        }
    }
    int row = coilwright_row(n, w->receivers);
    for (int i = 0; i < points && !w->failed; i++) {
        if (!i || stride) {
            read_network(w, shape + 4, networks + (size_t)i * (size_t)stride);
            make_views(w);
        }
        w->frequency_hz = frequency_hz[i], w->duty = duty[i];
        solve_one(w, states ? states + (size_t)i * n : NULL,
                  contacts ? contacts + (size_t)i * 6 * SLOTS : NULL, rough, out + (size_t)i * row);
    }
    int failed = w->failed;
    Buffer *buffers[] = {&w->coefficients, &w->rows, &w->currents, &w->nodes,
                         &w->node_currents, &w->glance, &w->slow};
    for (size_t i = 0; i < sizeof(buffers) / sizeof(buffers[0]); i++) free(buffers[i]->at);
    free(memory), free(w->law), free(w);
    return failed ? -1 : 0;
}
