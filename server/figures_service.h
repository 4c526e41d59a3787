// Puts together what answers the Figures and the Records service, and makes the held figures in the background. Made and
// ended by the server's main thread; the handlers may be called from any.
#pragma once

#include <memory>
#include <thread>

#include "absl/status/status.h"
#include "proto/common/clock.h"
#include "server/api/figures_handlers.h"
#include "server/api/held_figures.h"
#include "server/api/record_handlers.h"
#include "server/live/live_fleet.h"
#include "server/live/timeline_keeper.h"
#include "server/store/brief_histories.h"
#include "server/store/database.h"
#include "server/store/epoch_names.h"
#include "server/store/event_store.h"
#include "server/store/held_figure_store.h"
#include "server/store/history_store.h"
#include "server/store/hold_store.h"
#include "server/store/settlement_store.h"

namespace bayward {

class FiguresService {
 public:
  // All outlive it.
  FiguresService(Database& database, FleetSource fleet, const LiveFleet& live, const Clock& clock);
  ~FiguresService();

  absl::Status AddMethods(MethodTable& methods) const;

  // Makes what is to be held once a month or week, as it falls due.
  void Start();
  void Stop();  // idempotent; waits for the figure that is being made

 private:
  HeldFigureMakers Makers() const;
  void Run();

  const Clock& clock_;
  PostgresHistoryStore histories_;
  PostgresBriefHistories brief_histories_;
  TimelineKeeper keeper_;
  PostgresEpochNames epochs_;
  PostgresEventStore raw_events_;
  PostgresHoldStore holds_;
  PostgresSettlementStore settlements_;
  PostgresHeldFigureStore held_store_;
  const FiguresSources sources_;  // without what is held
  HeldFigures held_;
  FiguresHandlers figures_;
  RecordHandlers records_;

  StopFlag stop_;
  std::thread thread_;
};

}  // namespace bayward
