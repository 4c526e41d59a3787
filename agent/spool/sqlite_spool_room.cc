// The part of SqliteSpool that makes room.
#include <algorithm>
#include <limits>

#include "agent/spool/spool_file.h"
#include "agent/spool/spool_room.h"
#include "agent/spool/sqlite_spool.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr absl::Duration kRoomAgainAfter = absl::Seconds(10);

}  // namespace

absl::Status SqliteSpool::MakeRoom(std::uint64_t bytes) {
  constexpr int kPasses = 16;  // freed rows do not always free whole pages
  const std::uint64_t goal = bytes_used_ > bytes ? bytes_used_ - bytes : 0;
  for (int pass = 0; pass < kPasses && bytes_used_ > goal; ++pass) {
    const std::uint64_t missing = bytes_used_ - goal;
    BAYWARD_ASSIGN_OR_RETURN(std::uint64_t freed, Purge(missing, std::numeric_limits<std::int64_t>::max()));
    for (const EventRank rank : {EventRank::kReading, EventRank::kCycle, EventRank::kState}) {
      if (freed > 0) break;
      BAYWARD_ASSIGN_OR_RETURN(
          const RoomMade made,
          ReplaceByTombstones(*db_, rank, missing,
                              [this](std::int64_t place, std::uint64_t last)
                                  ABSL_NO_THREAD_SAFETY_ANALYSIS { return Acknowledged(place, last); }));
      freed += made.bytes;
      dropped_ += made.events;
      if (made.events > 0) {
        spdlog::warn("spool: {} is full: {} events gave way to tombstones", options_.folder.string(),
                     made.events);
      }
    }
    if (freed == 0) break;
    BAYWARD_RETURN_IF_ERROR(BytesUsed().status());
  }
  return absl::OkStatus();
}

absl::Status SqliteSpool::MakeRoomOnFullDisk() {
  if (!db_->full()) return ResourceExhausted("spool: the disk failed, more room would not help");
  const absl::Duration now = options_.clock->Monotonic();
  if (now < room_again_at_) return ResourceExhausted("spool: the disk is full");
  room_again_at_ = now + kRoomAgainAfter;
  const bool released = reserve_.Release();
  spdlog::warn("spool: the disk of {} is full{}", options_.folder.string(),
               released ? "; the space kept for this is given up" : "");
  // Moves what the journal holds into the file, so that the journal is written from its beginning.
  static_cast<void>(db_->Integer("PRAGMA wal_checkpoint(RESTART)"));
  const std::uint64_t bytes = std::max(RoomForTombstones(options_.bytes_max), options_.bytes_max / 16);
  if (absl::Status status = MakeRoom(bytes); !status.ok()) {
    db_->Rollback();
    return status;
  }
  static_cast<void>(db_->Integer("PRAGMA wal_checkpoint(RESTART)"));
  return absl::OkStatus();
}

absl::StatusOr<std::uint64_t> SqliteSpool::Purge(std::uint64_t bytes, std::int64_t written_before_s) {
  std::int64_t through = -1;
  std::uint64_t through_last = 0;
  std::uint64_t freed = 0;
  {
    SqliteStatement rows(db_->handle(),
                         "SELECT place, last, written_s, length(event) FROM entry ORDER BY place");
    while (freed < bytes) {
      BAYWARD_ASSIGN_OR_RETURN(const bool row, rows.Step());
      if (!row || rows.Integer(2) >= written_before_s) break;
      const std::int64_t place = rows.Integer(0);
      const auto last = static_cast<std::uint64_t>(rows.IsNull(1) ? place & kSequenceMask : rows.Integer(1));
      if (!Acknowledged(place, last)) break;
      through = place;
      through_last = last;
      freed += static_cast<std::uint64_t>(rows.Integer(3)) + kRowBytes;
    }
  }
  if (through < 0) return 0;
  SqliteStatement remove(db_->handle(), "DELETE FROM entry WHERE place <= ?1");
  BAYWARD_RETURN_IF_ERROR(remove.Bind(1, through).Run());
  Purged(through, through_last);
  return freed;
}

void SqliteSpool::Purged(std::int64_t place, std::uint64_t last) {
  for (auto& [number, epoch] : epochs_) {
    if (number < (place >> kSequenceBits)) epoch.state.oldest = epoch.state.last + 1;
    if (number == (place >> kSequenceBits)) epoch.state.oldest = last + 1;
  }
}

}  // namespace bayward
