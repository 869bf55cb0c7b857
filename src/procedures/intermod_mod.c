// SPDX-License-Identifier: GPL-3.0-or-later
#include "two_tone.h"

#include "rollbook/dsp/intermod.h"

static const rb_parameter parameters[] = {
    {"low_hz", 20, 1000, 60, "the strong low tone"},
    {"high_hz", 1000, 40000, 7000, "the weak high tone"},
    {"amplitude_ratio", 1, 20, 4, "low over high"},
    {"duration_s", 0.2, 60, 2, "what is analysed"},
    {"settle_s", 0, 60, 0.3, "played before that, and cut off"},
};

static double setting(const rb_signal *signal, const char *name)
{
  return rb_procedure_value(rb_procedure_find("intermod_mod"), signal, name);
}

static two_tone tones_of(const rb_signal *signal)
{
  return (two_tone){.hz = {setting(signal, "low_hz"), setting(signal, "high_hz")},
                    .amplitude_ratio = setting(signal, "amplitude_ratio"),
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
  rb_modulation m;
  const rb_status status =
      rb_modulation_measure(samples, n, rate_hz, tones->hz[0], tones->hz[1], scratch, &m);
  if (status != RB_OK)
    return two_tone_failed(status, tones, channel, err);
  reading_sink sink = sink_for(analysis, results, channel);
  add_pct(&sink, "imd_mod", m.total_ratio);
  add_pct(&sink, "imd_mod2", m.second_ratio);
  add_pct(&sink, "imd_mod3", m.third_ratio);
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

const rb_procedure rb_procedure_intermod_mod = {
    .name = "intermod_mod",
    .title = "Intermodulation, bass on treble",
    .summary = "a low tone shaking a high one: the modulation method of IEC 60268-3",
    .parameters = parameters,
    .n_parameters = RB_LEN(parameters),
    .plan = plan,
    .analyse = analyse,
};
