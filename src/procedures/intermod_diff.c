// SPDX-License-Identifier: GPL-3.0-or-later
#include "two_tone.h"

#include "rollbook/dsp/intermod.h"

static const rb_parameter parameters[] = {
    {"f1_hz", 1000, 40000, 19000, "the lower tone"},
    {"f2_hz", 1000, 40000, 20000, "the upper tone"},
    {"duration_s", 0.2, 60, 2, "what is analysed"},
    {"settle_s", 0, 60, 0.3, "played before that, and cut off"},
};

static const double HIGHEST_OF_RATE = 0.475; // the upper third-order line counts up to here

static double setting(const rb_signal *signal, const char *name)
{
  return rb_procedure_value(rb_procedure_find("intermod_diff"), signal, name);
}

static two_tone tones_of(const rb_signal *signal)
{
  return (two_tone){.hz = {setting(signal, "f1_hz"), setting(signal, "f2_hz")},
                    .amplitude_ratio = 1,
                    .settle_s = setting(signal, "settle_s"),
                    .duration_s = setting(signal, "duration_s")};
}

static rb_status plan(const rb_signal *signal, rb_channel drive, double rate_hz, rb_arena *arena,
                      rb_stimulus *stimulus, rb_err *err)
{
  const two_tone tones = tones_of(signal);
  return two_tone_plan(signal, &tones, drive, rate_hz, arena, stimulus, err);
}

static rb_status measure(const rb_analysis *analysis, const two_tone *tones, unsigned channel,
                         const double *samples, size_t n, double rate_hz, rb_arena *scratch,
                         rb_results *results, rb_err *err)
{
  rb_difference d;
  const rb_status status = rb_difference_measure(samples, n, rate_hz, tones->hz[0], tones->hz[1],
                                                 HIGHEST_OF_RATE * rate_hz, scratch, &d);
  if (status != RB_OK)
    return two_tone_failed(status, tones, channel, err);
  reading_sink sink = sink_for(analysis, results, channel);
  add_pct(&sink, "imd_diff2", d.second_ratio);
  add_pct(&sink, "imd_diff3", d.third_ratio);
  return sink_status(&sink, err);
}

static rb_status analyse_channel(const rb_analysis *analysis, rb_capture *capture, unsigned channel,
                                 rb_arena *scratch, rb_results *results, rb_err *err)
{
  const two_tone tones = tones_of(analysis->signal);
  return two_tone_channel(analysis, &tones, capture, channel, measure, scratch, results, err);
}

static rb_status analyse(const rb_analysis *analysis, rb_capture *capture, rb_results *results,
                         rb_err *err)
{
  return for_each_channel(analyse_channel, analysis, capture, results, err);
}

const rb_procedure rb_procedure_intermod_diff = {
    .name = "intermod_diff",
    .title = "Intermodulation, difference tones",
    .summary = "new tones made from two high ones: the difference-frequency method of IEC 60268-3",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
};
