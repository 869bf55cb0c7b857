// SPDX-License-Identifier: GPL-3.0-or-later
// The simulated amplifier for tests in other languages, without noise and with fixed supplies:
//   tool_amp spice [SETTING…]                      an ngspice netlist of the left channel
//   tool_amp truth [SETTING…]                      what the model says of itself, "name value"
//   lines tool_amp response HZ [SETTING…]                magnitude of the linear gain tool_amp run
//   RATE HZ VPEAK SECONDS [SETTING…]  doubles: volts at the load from rest on, the
//                                                  sample i at (i + 1)/RATE
// SETTING is part=value, load=ohm, speaker=1, or SOCKET:key=value of a tube's truth.

#include "rollbook/amp/netlist.h"
#include "rollbook/amp/state.h"
#include "rollbook/base/units.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int failed(const char *message)
{
  fprintf(stderr, "tool_amp: %s\n", message);
  return 2;
}

static bool set_tube(rb_amp_setup *setup, const char *socket, const char *truth, rb_err *err)
{
  size_t n_sockets;
  const rb_socket *sockets = rb_amp_sockets(&n_sockets);
  for (size_t i = 0; i < n_sockets; i++)
    if (strcmp(sockets[i].name, socket) == 0)
      return rb_tube_truth_read(truth, &setup->tubes[i], err) == RB_OK;
  return false;
}

static bool set(rb_amp_setup *setup, char *setting, rb_err *err)
{
  char *colon = strchr(setting, ':'), *equals = strchr(setting, '=');
  double value;
  if (colon) {
    *colon = '\0';
    return set_tube(setup, setting, colon + 1, err);
  }
  if (!equals || !rb_text_to_number(equals + 1, &value))
    return false;
  *equals = '\0';
  if (strcmp(setting, "load") == 0)
    setup->load_ohm = value;
  else if (strcmp(setting, "speaker") == 0)
    setup->speaker = value > 0;
  else
    return rb_amp_set_part(setup, setting, value, err) == RB_OK;
  return true;
}

static void print_row(const rb_net_row *row, const rb_amp_setup *setup)
{
  const rb_amp_parts *part = &setup->parts[RB_LEFT];
  switch (row->kind) {
  case RB_NET_RESISTOR:
    printf("R%s %s %s %.17g\n", row->name, row->plus, row->minus, row->value);
    break;
  case RB_NET_CAPACITOR:
    printf("C%s %s %s %.17g\n", row->name, row->plus, row->minus, row->value);
    break;
  case RB_NET_INDUCTOR:
    printf("L%s %s %s %.17g\n", row->name, row->plus, row->minus, row->value);
    break;
  case RB_NET_WINDING: // an ideal transformer: voltage one way, current the other
    printf("E%s %s %s_m flux 0 %.17g\nV%s_m %s_m %s 0\nF%s 0 flux V%s_m %.17g\n", row->name,
           row->plus, row->name, row->value, row->name, row->name, row->minus, row->name, row->name,
           row->value);
    break;
  case RB_NET_SOURCE:
    if (strcmp(row->name, "input") == 0)
      printf("Vinput input 0 @INPUT@\n");
    else
      printf("V%s %s 0 %.17g\n", row->name, row->plus,
             strcmp(row->name, "b_plus") == 0 ? 420
             : strcmp(row->name, "b2") == 0   ? 385
                                              : part->bias_v);
    break;
  }
}

/// The laws of rollbook/amp/tube.h, written out for a behavioural source.
static void print_tube(const rb_amp_setup *setup, unsigned t)
{
  const rb_net_tube *at = &rb_net_tubes[t];
  const rb_tube_truth *tube = &setup->tubes[at->socket];
  const rb_section_truth *section = &tube->section[at->section];
  const rb_tube_law *law = &tube->type->law;
  const bool pentode = tube->type->kind == RB_PENTODE;
  const char *name = at->name, *work = pentode ? at->screen : at->plate;
  printf("Eg_%s vg_%s 0 vol='v(%s)-v(%s)+%.17g'\n", name, name, at->grid, at->cathode,
         section->cutoff_v);
  printf("Bw_%s vw_%s 0 V=max(v(%s)-v(%s),1e-3)\n", name, name, work, at->cathode);
  printf("Bu_%s u_%s 0 V=%.17g*(%.17g+v(vg_%s)/sqrt(%.17g+v(vw_%s)*v(vw_%s)))\n", name, name,
         law->kp, 1 / (law->mu * section->mu), name, pentode ? 0 : law->kvb, name, name);
  printf("Bp_%s p_%s 0 V=2*%.17g*pow(v(vw_%s)/%.17g*(max(v(u_%s),0)+ln(1+exp(-abs(v(u_%s))))),"
         "%.17g)\n",
         name, name, section->gm * section->emission, name, law->kp, name, name, law->exponent);
  if (pentode) {
    printf("Ba_%s a_%s 0 V=atan((v(%s)-v(%s))/%.17g)\n", name, name, at->plate, at->cathode,
           law->knee_v);
    printf("Bi_%s %s %s I=v(p_%s)/%.17g*v(a_%s)*(1+(v(%s)-v(%s))/%.17g)\n", name, at->plate,
           at->cathode, name, law->kg, name, at->plate, at->cathode, law->early_v);
    printf("Bs_%s %s %s I=v(p_%s)/%.17g*(1+%.17g*(1-%.17g*v(a_%s)))\n", name, at->screen,
           at->cathode, name, law->kg2, law->screen_rise, 2 / RB_PI, name);
  } else {
    printf("Bi_%s %s %s I=v(p_%s)/%.17g\n", name, at->plate, at->cathode, name, law->kg);
  }
  printf("Bx_%s x_%s 0 V=max(v(vg_%s)-(%.17g),0)\n", name, name, name, law->grid_start_v);
  printf("Bg_%s %s %s I=%.17g*v(x_%s)*v(x_%s)/(1+v(x_%s))\n", name, at->grid, at->cathode,
         law->grid_slope, name, name, name);
}

static void print_core(const rb_amp_parts *part)
{
  printf("Rcore flux 0 %.17g\n", part->core_loss);
  // One farad integrates volts into flux linkage; the resistor gives it a working point.
  printf("Glambda 0 lambda flux 0 1\nClambda lambda 0 1\nRlambda lambda 0 1e9\n");
  printf("Bcore flux 0 I=v(lambda)/%.17g*(1+pow(v(lambda)/%.17g,6))\n", part->magnetising,
         part->saturation);
}

static int print_spice(const rb_amp_setup *setup)
{
  rb_net net;
  rb_net_build(setup, RB_LEFT, &net);
  printf("simulated amplifier, left channel\n");
  for (size_t i = 0; i < net.n_rows; i++)
    print_row(&net.row[i], setup);
  for (unsigned t = 0; t < RB_NET_TUBES; t++)
    print_tube(setup, t);
  print_core(&setup->parts[RB_LEFT]);
  printf("Iprobe 0 output DC 0 AC 0\n"); // drives the output where its impedance is asked
  return 0;
}

static int print_supply_spice(const rb_amp_setup *setup, double b_plus_a, double b2_a)
{
  const rb_amp_parts *part = &setup->parts[RB_LEFT];
  const rb_tube_law *law = &setup->tubes[RB_AMP_FILTER].type->law;
  printf("supply\nVwave wave 0 SIN(0 %.17g %.17g)\n", part->mains_vrms * sqrt(2), setup->mains_hz);
  printf("Brect 0 raw I=max(abs(v(wave))-v(raw),0)/%.17g\n", part->rectifier_resistance);
  printf("C1 raw 0 %.17g ic=425\nLc raw lc %.17g ic=%.17g\nRc lc bplus %.17g\n", part->c1,
         part->choke, b_plus_a, part->choke_dcr);
  printf("C2 bplus 0 %.17g ic=415\nI2 bplus 0 %.17g\n", part->c2, b_plus_a);
  printf("Bg 0 grid I=(%.17g*v(raw)-v(grid))/%.17g\nCg grid 0 %.17g ic=370\n", part->filter_ratio,
         part->filter_grid, part->filter_grid_capacitance);
  printf("Bw w 0 V=max(v(raw)-v(b2),1e-3)\nBu u 0 V=%.17g*(%.17g+(v(grid)-v(b2))/v(w))\n", law->kp,
         1 / law->mu);
  printf("Bp p 0 V=2*pow(v(w)/%.17g*(max(v(u),0)+ln(1+exp(-abs(v(u))))),%.17g)\n", law->kp,
         law->exponent);
  printf("Ba a 0 V=atan(v(w)/%.17g)\n", law->knee_v);
  printf("Bt raw b2 I=v(p)*(v(a)*(1+v(w)/%.17g)/%.17g+(1+%.17g*(1-%.17g*v(a)))/%.17g)\n",
         law->early_v, law->kg, law->screen_rise, 2 / RB_PI, law->kg2);
  printf("C3 b2 0 %.17g ic=373\nI3 b2 0 %.17g\n", part->c3, b2_a);
  return 0;
}

static int print_supply(const rb_amp_setup *setup, double b_plus_a, double b2_a)
{
  rb_supply supply = {
      .raw_v = 425, .choke_a = b_plus_a, .b_plus_v = 415, .grid_v = 370, .b2_v = 373};
  double mean_v[2], low[2] = {INFINITY, INFINITY}, high[2] = {0, 0};
  rb_supply_rest(&supply, setup, b_plus_a, b2_a, mean_v);
  for (int i = 0; i < 24000; i++) {
    rb_supply_step(&supply, setup, 1, 1 / 48000.0, b_plus_a, b2_a);
    const double now[2] = {supply.b_plus_v, supply.b2_v};
    for (int k = 0; k < 2; k++) {
      low[k] = fmin(low[k], now[k]);
      high[k] = fmax(high[k], now[k]);
    }
  }
  printf("b_plus %.15g\nb2 %.15g\nripple_b_plus %.15g\nripple_b2 %.15g\n", mean_v[0], mean_v[1],
         high[0] - low[0], high[1] - low[1]);
  return 0;
}

static int print_truth(const rb_amp *amp)
{
  const rb_amp_truth truth = rb_amp_truth_of(amp, RB_LEFT);
  printf("gain %.15g\nlow %.15g\nhigh %.15g\nzout %.15g\nfirst %.15g\n", truth.gain,
         truth.low_3db_hz, truth.high_3db_hz, truth.output_impedance_ohm, truth.first_stage_gain);
  printf("idle_a %.15g\nidle_b %.15g\ncathode_a %.15g\ncathode_b %.15g\n", truth.idle_plate_a[0],
         truth.idle_plate_a[1], truth.idle_cathode_a[0], truth.idle_cathode_a[1]);
  return 0;
}

static int run(rb_amp *amp, double rate_hz, double frequency_hz, double vpeak, double duration_s)
{
  const size_t n = (size_t)(duration_s * rate_hz);
  double in[RB_AMP_BLOCK], out[RB_AMP_BLOCK];
  for (size_t first = 0; first < n; first += 96) {
    const size_t count = n - first < 96 ? n - first : 96;
    for (size_t i = 0; i < count; i++)
      in[i] = vpeak * sin(2 * RB_PI * frequency_hz * (double)(first + i + 1) / rate_hz);
    rb_amp_run(amp, RB_LEFT, in, count, out);
    if (fwrite(out, sizeof *out, count, stdout) != count)
      return failed("cannot write");
  }
  return rb_amp_failures(amp) ? failed("Newton's method failed") : 0;
}

int main(int n_words, char **words)
{
  rb_amp_setup setup = rb_amp_setup_default();
  setup.still_supply = setup.silent = true;
  if (n_words < 2)
    return failed("say what to do");
  const char *what = words[1];
  static const struct {
    const char *what;
    int n_numbers;
  } numbers[] = {{"run", 4}, {"response", 1}, {"supply", 2}, {"supply_spice", 2}};
  int n_numbers = 0;
  for (size_t i = 0; i < RB_LEN(numbers); i++)
    if (strcmp(what, numbers[i].what) == 0)
      n_numbers = numbers[i].n_numbers;
  double number[4] = {96000};
  rb_err err = {.message = "wrong setting"};
  for (int i = 0; i < n_numbers; i++)
    if (2 + i >= n_words || !rb_text_to_number(words[2 + i], &number[i]))
      return failed("a number is missing");
  for (int i = 2 + n_numbers; i < n_words; i++)
    if (!set(&setup, words[i], &err))
      return failed(err.message);
  if (strcmp(what, "spice") == 0)
    return print_spice(&setup);
  if (n_numbers == 2)
    return strcmp(what, "supply") == 0 ? print_supply(&setup, number[0], number[1])
                                       : print_supply_spice(&setup, number[0], number[1]);
  rb_arena *arena = rb_arena_new(0);
  rb_amp *amp;
  int code;
  if (rb_amp_new(&setup, n_numbers == 4 ? number[0] : 96000, arena, &amp, &err) != RB_OK) {
    code = failed(err.message);
  } else if (n_numbers == 4) {
    code = run(amp, number[0], number[1], number[2], number[3]);
  } else if (n_numbers == 1) {
    double gain[2];
    rb_amp_response(amp, RB_LEFT, number[0], gain);
    code = printf("%.15g\n", hypot(gain[0], gain[1])) < 0;
  } else {
    code = print_truth(amp);
  }
  rb_arena_free(arena);
  return code;
}
