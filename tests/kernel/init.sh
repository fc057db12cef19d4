#!/bin/busybox sh
# The guest's first program. It mounts the host's own files read-only with a throw-away layer on top,
# and runs the job that the host left in the job folder. Its exit status goes back into that folder.
box=/bin/busybox
$box mount -t proc proc /proc
$box mount -t sysfs sysfs /sys
$box mount -t devtmpfs dev /dev
exec </dev/console >/dev/console 2>&1
$box echo "GUEST-UP"

give_up() { $box echo "GUEST-CANNOT $1"; $box poweroff -f; }

while read -r module; do $box modprobe "$module" || give_up "load $module"; done </modules-first

shared=trans=virtio,version=9p2000.L,msize=524288
$box mount -t 9p -o "$shared,ro,cache=loose" host /host || give_up "mount the host's files"
$box mount -t tmpfs tmpfs /layer
$box mkdir /layer/upper /layer/work
$box mount -t overlay -o lowerdir=/host,upperdir=/layer/upper,workdir=/layer/work over /new ||
  give_up "lay a layer over the host's files"

for folder in proc sys dev; do $box mount --bind "/$folder" "/new/$folder"; done
$box mkdir -p /new/dev/pts /new/dev/shm
$box mount -t devpts devpts /new/dev/pts
for folder in dev/shm run tmp; do
  # what lies below the host's /tmp stays visible: a venv or this tree may be there
  [ "$folder" = tmp ] || $box mount -t tmpfs tmpfs "/new/$folder"
done
$box mkdir -p /new/lib/modules /new/run/job
$box mount -t tmpfs tmpfs /new/lib/modules
$box cp -a /lib/modules/. /new/lib/modules/
$box mount -t 9p -o "$shared" job /new/run/job || give_up "mount the job folder"

$box chroot /new /usr/bin/env -i PATH=/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/run LANG=C.UTF-8 \
  /bin/sh /run/job/command >/new/run/job/output 2>&1
$box echo "$?" >/new/run/job/status
$box sync
$box poweroff -f
