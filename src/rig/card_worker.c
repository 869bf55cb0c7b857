// SPDX-License-Identifier: GPL-3.0-or-later
#include "rollbook/rig/card.h"
#include "card_stream.h"
#include "rollbook/base/text.h"

#include <poll.h>
#include <portaudio.h>
#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

typedef struct worker {
  // The mapping of the shared head stays where it is for the life of the process: the thread that
  // watches the program and the callback use it. Frames are mapped anew when they need more room.
  card_shared *head;
  card_shared *frames;
  size_t mapped_bytes;
  card_stream *stream;
  bool initialised;
} worker;

static void enter(worker *me, card_stage stage)
{
  atomic_store(&me->head->stage, stage);
  atomic_fetch_add(&me->head->beats, 1);
}

static void say(const card_reply *reply)
{
  // A program that does not listen any more is noticed by the watching thread.
  if (send(CARD_SOCKET_FD, reply, sizeof *reply, MSG_NOSIGNAL) < 0)
    return;
}

// The program may be killed at any moment, and the main thread here may hang in the sound system.
// (PR_SET_PDEATHSIG would end the worker with the *thread* that started it.) The sound fades first,
// and is given time to be heard.
static void *watch_program(void *payload)
{
  card_shared *head = payload;
  struct pollfd other_end = {.fd = CARD_SOCKET_FD, .events = 0};
  while (poll(&other_end, 1, -1) < 1 || !(other_end.revents & (POLLHUP | POLLERR | POLLNVAL)))
    continue;
  atomic_store(&head->fade, true);
  nanosleep(&(struct timespec){.tv_nsec = 450000000}, NULL);
  _exit(0);
}

// ---- requests -----------------------------------------------------------------------------------

static rb_status initialise(worker *me, rb_err *err)
{
  if (me->initialised)
    return RB_OK;
  enter(me, CARD_INITIALISING);
  PaError error = Pa_Initialize();
  if (error != paNoError)
    return rb_fail(err, RB_DEVICE, "The sound system does not start: %s.", Pa_GetErrorText(error));
  me->initialised = true;
  return RB_OK;
}

static void say_device(void *payload, const char *uri, const char *description)
{
  (void)payload;
  card_reply reply = {.kind = CARD_DEVICE};
  rb_text_copy(reply.uri, sizeof reply.uri, uri);
  rb_text_copy(reply.text, sizeof reply.text, description);
  say(&reply);
}

static rb_status serve_list(worker *me, const card_request *request, card_reply *reply, rb_err *err)
{
  (void)request, (void)reply;
  RB_TRY(initialise(me, err));
  card_devices_list(say_device, NULL);
  return RB_OK;
}

static rb_status serve_open(worker *me, const card_request *request, card_reply *reply, rb_err *err)
{
  RB_TRY(initialise(me, err));
  enter(me, CARD_OPENING);
  card_pair pair;
  RB_TRY(card_devices_find(&request->spec, &pair, err));
  RB_TRY(card_stream_open(request, pair, me->head, &me->stream, err));
  card_devices_title(pair, reply->text, sizeof reply->text);
  card_stream_note(me->stream, reply->note, sizeof reply->note);
  return RB_OK;
}

static rb_status map_frames(worker *me, size_t n_frames, rb_err *err)
{
  size_t n_bytes = card_shared_bytes(n_frames);
  if (me->frames && n_bytes <= me->mapped_bytes)
    return RB_OK;
  void *mapped =
      mmap(NULL, n_bytes, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_POPULATE, CARD_MEMORY_FD, 0);
  if (mapped == MAP_FAILED)
    return rb_fail(err, RB_NO_MEM, "Out of memory for an exchange of %zu frames.", n_frames);
  mlock(mapped, n_bytes); // where allowed, so that the callback never waits for a page
  // The callback is silent now, but may still look at the old mapping: it is kept.
  me->frames = mapped;
  me->mapped_bytes = n_bytes;
  return RB_OK;
}

static rb_status serve_exchange(worker *me, const card_request *request, card_reply *reply,
                                rb_err *err)
{
  if (!me->stream)
    return rb_fail(err, RB_BUG, "An exchange was asked of a card that is not open.");
  enter(me, CARD_RUNNING);
  RB_TRY(map_frames(me, request->n_frames, err));
  return card_stream_exchange(me->stream, request, me->frames, reply, err);
}

static rb_status serve_close(worker *me, const card_request *request, card_reply *reply,
                             rb_err *err)
{
  (void)request, (void)reply, (void)err;
  enter(me, CARD_CLOSING);
  card_stream_close(me->stream);
  if (me->initialised)
    Pa_Terminate();
  _exit(0);
}

static void serve(worker *me, const card_request *request)
{
  static rb_status (*const requests[])(worker *, const card_request *, card_reply *, rb_err *) = {
      [CARD_LIST] = serve_list,
      [CARD_OPEN] = serve_open,
      [CARD_EXCHANGE] = serve_exchange,
      [CARD_CLOSE] = serve_close,
  };
  card_reply reply = {.kind = CARD_DONE};
  rb_err err = {0};
  if ((size_t)request->kind >= RB_LEN(requests))
    _exit(2);
  reply.status = requests[request->kind](me, request, &reply, &err);
  if (reply.status != RB_OK)
    rb_text_copy(reply.text, sizeof reply.text, err.message);
  say(&reply);
}

// ---- the process --------------------------------------------------------------------------------

bool rb_card_worker_asked(int argc, char **argv)
{
  return argc == 2 && strcmp(argv[1], CARD_WORKER_ARGUMENT) == 0 && getenv(CARD_WORKER_VARIABLE);
}

int rb_card_worker_run(void)
{
  prctl(PR_SET_NAME, "rollbook-card");
  signal(SIGPIPE, SIG_IGN);
  setenv("JACK_NO_START_SERVER", "1", 0); // measuring must not start a sound server of its own
  void *mapped =
      mmap(NULL, CARD_FRAMES_OFFSET, PROT_READ | PROT_WRITE, MAP_SHARED, CARD_MEMORY_FD, 0);
  if (mapped == MAP_FAILED)
    return 2;
  worker me = {.head = mapped};
  pthread_t watcher;
  if (pthread_create(&watcher, NULL, watch_program, me.head) != 0)
    return 2;
  for (;;) {
    card_request request;
    ssize_t got = recv(CARD_SOCKET_FD, &request, sizeof request, 0);
    if (got != (ssize_t)sizeof request)
      pause(); // the other end is gone; the watching thread ends the process
    serve(&me, &request);
  }
}
