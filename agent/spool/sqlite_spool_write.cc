// The part of SqliteSpool that writes.
#include <optional>

#include "agent/spool/spool_room.h"
#include "agent/spool/sqlite_spool.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

void BindTime(SqliteStatement& statement, int index, const std::optional<absl::Time>& time) {
  if (time.has_value()) {
    statement.Bind(index, absl::ToUnixMicros(*time));
  } else {
    statement.BindNull(index);
  }
}

}  // namespace

// Writes entries of the own epoch in one transaction, in sequence.
class SqliteSpool::RowWriter {
 public:
  RowWriter(SqliteDb& db, std::int64_t epoch, std::uint64_t last, std::int64_t now_s)
      : insert_(db.handle(),
                "INSERT INTO entry (place, last, rank, written_s, event) VALUES (?1, ?2, ?3, ?4, ?5)"),
        epoch_(epoch),
        last_(last),
        now_s_(now_s) {}

  absl::Status Add(const v1::Event& event) {
    event.SerializeToString(&bytes_);
    if (bytes_.size() <= kEventBytesMax) return AddRow(event, last_ + 1, false);
    TombstoneBuilder tombstone;
    tombstone.Add(event);
    return AddTombstone(
        tombstone, 1,
        fmt::format("an event of {} bytes, at most {} are taken", bytes_.size(), kEventBytesMax));
  }

  absl::Status AddTombstone(const TombstoneBuilder& tombstone, std::uint64_t count, std::string_view reason) {
    const v1::Event event = tombstone.Build(last_ + count, reason);
    event.SerializeToString(&bytes_);
    replaced_ += count;
    return AddRow(event, last_ + count, true);
  }

  std::uint64_t last() const { return last_; }
  std::uint64_t replaced() const { return replaced_; }  // events under tombstones

 private:
  // bytes_ is the event, serialized.
  absl::Status AddRow(const v1::Event& event, std::uint64_t last, bool tombstone) {
    insert_.Bind(1, Place(epoch_, last_ + 1));
    if (tombstone) {
      insert_.Bind(2, static_cast<std::int64_t>(last));
    } else {
      insert_.BindNull(2);
    }
    insert_.Bind(3, static_cast<std::int64_t>(RankOf(event))).Bind(4, now_s_).BindBlob(5, bytes_);
    BAYWARD_RETURN_IF_ERROR(insert_.Run());
    last_ = last;
    return absl::OkStatus();
  }

  SqliteStatement insert_;
  std::int64_t epoch_;
  std::uint64_t last_;
  std::uint64_t replaced_ = 0;
  std::int64_t now_s_;
  std::string bytes_;
};

absl::StatusOr<SpoolPosition> SqliteSpool::Write(const SpoolWrite& write) {
  absl::MutexLock lock(&mutex_);
  std::uint64_t wanted = 0;
  for (const v1::Event& event : write.events) wanted += event.ByteSizeLong() + kRowBytes;
  if (bytes_used_ + wanted > options_.bytes_max) {
    BAYWARD_RETURN_IF_ERROR(MakeRoom(bytes_used_ + wanted - options_.bytes_max + options_.bytes_max / 16));
    if (bytes_used_ + wanted > options_.bytes_max) {
      return ResourceExhausted("spool: {} bytes at once do not go into a spool of {}", wanted,
                               options_.bytes_max);
    }
  }
  auto last = TryWrite(write);
  if (!last.ok() && absl::IsResourceExhausted(last.status()) && MakeRoomOnFullDisk().ok())
    last = TryWrite(write);
  BAYWARD_RETURN_IF_ERROR(last.status());
  Own().state.last = *last;
  EpochsWritten();
  lost_.reset();
  return SpoolPosition{Own().state.epoch, *last};
}

absl::StatusOr<std::uint64_t> SqliteSpool::TryWrite(const SpoolWrite& write) {
  std::uint64_t replaced = 0;
  const auto write_all = [&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) -> absl::StatusOr<std::uint64_t> {
    RowWriter rows(*db_, Own().number, Own().state.last, absl::ToUnixSeconds(options_.clock->Now()));
    BAYWARD_RETURN_IF_ERROR(db_->Run("BEGIN IMMEDIATE"));
    if (lost_.has_value()) {
      BAYWARD_RETURN_IF_ERROR(rows.AddTombstone(lost_->tombstone, lost_->count, lost_->reason));
    }
    for (const v1::Event& event : write.events) BAYWARD_RETURN_IF_ERROR(rows.Add(event));
    replaced = rows.replaced();
    BAYWARD_RETURN_IF_ERROR(WriteState(write));
    if (replaced > 0) {
      SqliteStatement count(db_->handle(), "UPDATE meta SET dropped = dropped + ?1");
      BAYWARD_RETURN_IF_ERROR(count.Bind(1, static_cast<std::int64_t>(replaced)).Run());
    }
    BAYWARD_RETURN_IF_ERROR(WriteEpochs());
    BAYWARD_RETURN_IF_ERROR(db_->Run("COMMIT"));
    return rows.last();
  };
  auto last = write_all();
  if (!last.ok()) {
    db_->Rollback();
    return last;
  }
  dropped_ += replaced;
  BAYWARD_RETURN_IF_ERROR(BytesUsed().status());
  return last;
}

absl::Status SqliteSpool::WriteState(const SpoolWrite& write) {
  SqliteStatement keep(db_->handle(), "INSERT OR REPLACE INTO machine (name, state) VALUES (?1, ?2)");
  SqliteStatement forget(db_->handle(), "DELETE FROM machine WHERE name = ?1");
  for (const auto& [machine, state] : write.states) {
    BAYWARD_RETURN_IF_ERROR(state.empty() ? forget.BindText(1, machine).Run()
                                          : keep.BindText(1, machine).BindBlob(2, state).Run());
  }
  if (write.mark.has_value()) {
    SqliteStatement mark(db_->handle(), "INSERT OR REPLACE INTO mark (source, mark) VALUES (?1, ?2)");
    BAYWARD_RETURN_IF_ERROR(mark.BindText(1, write.mark->first).BindText(2, write.mark->second).Run());
  }
  return WriteAlive(write.alive);
}

absl::Status SqliteSpool::WriteAlive(const AliveUntil& alive) {
  SqliteStatement statement(db_->handle(),
                            "UPDATE meta SET alive_us = coalesce(?1, alive_us), rehearsed_us = coalesce(?2, "
                            "rehearsed_us), delivered_us = coalesce(?3, delivered_us)");
  BindTime(statement, 1, alive.wall);
  BindTime(statement, 2, alive.rehearsed);
  BindTime(statement, 3, alive.delivered);
  return statement.Run();
}

absl::Status SqliteSpool::WriteEpochs() {
  SqliteStatement statement(db_->handle(), "UPDATE epoch SET acknowledged = ?2, told = ?3 WHERE number = ?1");
  for (const auto& [number, epoch] : epochs_) {
    if (!epoch.dirty) continue;
    statement.Bind(1, number).Bind(2, static_cast<std::int64_t>(epoch.state.acknowledged));
    BAYWARD_RETURN_IF_ERROR(statement.Bind(3, epoch.told ? 1 : 0).Run());
  }
  return absl::OkStatus();
}

void SqliteSpool::EpochsWritten() {
  for (auto& [number, epoch] : epochs_) epoch.dirty = false;
}

void SqliteSpool::NoteLost(const std::vector<v1::Event>& events, std::string_view reason) {
  absl::MutexLock lock(&mutex_);
  if (events.empty()) return;
  if (!lost_.has_value()) lost_ = Lost();
  for (const v1::Event& event : events) lost_->tombstone.Add(event);
  lost_->count += events.size();
  lost_->reason = std::string(reason);
}

}  // namespace bayward
